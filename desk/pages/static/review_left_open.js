// Beside the sign-off: what it leaves open for the work order.
import { tag } from "./review_panel.js";

export class LeftOpen {
  constructor(ask) {
    this.ask = ask;
  }

  // asked for apart from an entry's answer, for the order's plan may take longer; `newest` is the newest entry seen
  async say(newest) {
    if (this.newest === newest) return;
    this.newest = newest;
    this.draw("", []);
    try {
      const { left_open: words, asks } = await this.ask();
      if (this.newest === newest) this.draw(words, asks);
    } catch {
      // a sign-off goes without: issuing the order says what is wrong with its plan
    }
  }

  // the line opens to the questions: those on the plan alone stand nowhere else on the page
  draw(words, asks) {
    const line = document.getElementById("left-open");
    const list = asks.length ? [tag("ul", {}, ...asks.map((ask) => tag("li", {}, ask)))] : [];
    line.replaceChildren(tag("summary", {}, words), ...list);
    line.hidden = !words;
  }
}
