// One photograph: moves and zooms by a CSS transform, places drawn over it in the photograph's own pixels.
import { arrange, leader } from "./review_labels.js";

const SVG = "http://www.w3.org/2000/svg";
const NEAREST = 8;
const SMALL_PX = 1280; // longer side of the small picture

export function svg(name, attributes = {}) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

export function pathOf(rings) {
  return rings.map((ring) => `M${ring.map((p) => p.join(" ")).join("L")}Z`).join("");
}

export class Stage {
  constructor(photo, layers, on) {
    Object.assign(this, { photo, on, layers });
    this.scale = this.least = 1;
    this.x = this.y = 0;
    this.pointers = new Map();
    this.build();
    this.listen();
    new ResizeObserver(() => this.fit()).observe(this.view);
  }

  build() {
    const { photo } = this;
    this.root = document.createElement("figure");
    this.root.className = "stage";
    this.caption = document.createElement("figcaption");
    const name = document.createElement("strong");
    name.textContent = photo.name;
    const file = document.createElement("span");
    file.className = "soft";
    file.textContent = `${photo.face} · ${photo.file}`;
    this.caption.append(name, file);
    const zooms = document.createElement("span");
    zooms.className = "zooms";
    for (const [sign, word, factor] of [["−", "farther", 1 / 1.5], ["+", "nearer", 1.5], ["⤢", "whole photograph", 0]]) {
      const button = document.createElement("button");
      Object.assign(button, { type: "button", className: "button", textContent: sign, title: word });
      button.setAttribute("aria-label", `${photo.name}: ${word}`);
      button.addEventListener("click", () => (factor ? this.zoom(factor) : this.fit()));
      zooms.append(button);
    }
    zooms.append(this.windowButton());
    this.caption.append(zooms);
    const overlays = document.createElement("details");
    const summary = document.createElement("summary");
    summary.textContent = "overlays";
    const choice = document.createElement("div");
    choice.append(...this.layers.map((layer) => this.layerSwitch(layer)));
    overlays.append(summary, choice);
    this.caption.append(overlays);
    this.view = document.createElement("div");
    this.view.className = "view";
    this.sheet = document.createElement("div");
    this.sheet.className = "sheet";
    this.sheet.style.width = `${photo.width_px}px`;
    this.sheet.style.height = `${photo.height_px}px`;
    this.image = this.picture("small");
    this.svg = svg("svg", { viewBox: `-0.5 -0.5 ${photo.width_px} ${photo.height_px}`, "aria-hidden": "true" });
    this.under = svg("g");
    this.over = svg("g");
    this.svg.append(this.under, this.over);
    this.sheet.append(this.image, this.svg);
    this.badges = document.createElement("div");
    this.leaders = svg("svg", { class: "leaders", "aria-hidden": "true" });
    this.view.append(this.sheet, this.leaders, this.badges);
    this.root.append(this.caption, this.view);
  }

  // over the whole window: the same element, so that places, zoom and keys are there too; Esc closes
  windowButton() {
    const button = document.createElement("button");
    Object.assign(button, { type: "button", className: "button", textContent: "large", title: "over the whole window (F; Esc: back)" });
    button.setAttribute("aria-label", `${this.photo.name}: over the whole window, or back`);
    button.addEventListener("click", () => this.whole());
    this.root.popover = "auto";
    return button;
  }

  whole(open) {
    this.root.togglePopover(open);
  }

  picture(size) {
    const { id, name, face, file } = this.photo;
    const image = new Image();
    Object.assign(image, { src: `/photographs/${id}/${size}`, alt: `${name}, ${face}, ${file}`, draggable: false });
    return image;
  }

  // The small picture shows at once. All pixels are fetched when somebody goes nearer than it can show, and take its
  // place when they are decoded: four photographs of 12 megapixels decoded at every opening kept the page waiting.
  async sharpen() {
    const side = Math.max(this.photo.width_px, this.photo.height_px);
    if (!this.fitted || this.sharp || side <= SMALL_PX || this.scale * side * devicePixelRatio <= SMALL_PX) return;
    this.sharp = true;
    try {
      await this.image.decode();
      const full = this.picture("full");
      await full.decode();
      this.image.replaceWith(full);
      this.image = full;
    } catch {
      this.sharp = false; // asked for again at the next move
    }
  }

  layerSwitch(layer) {
    const label = document.createElement("label");
    const box = document.createElement("input");
    Object.assign(box, { type: "checkbox", checked: ["regions", "terminations", "splices"].includes(layer) });
    box.dataset.layer = layer;
    box.addEventListener("change", () => this.draw());
    label.append(box, layer === "regions" ? "damage" : layer);
    return label;
  }

  shows(layer) {
    return this.caption.querySelector(`[data-layer="${layer}"]`).checked;
  }

  // everything over the photograph anew; `chosen`: the place in hand, `draft`: what is being drawn
  draw(photo = this.photo, chosen = this.chosen, draft = this.draft) {
    Object.assign(this, { photo, chosen, draft });
    this.under.replaceChildren();
    this.over.replaceChildren();
    this.badges.replaceChildren();
    for (const shape of photo.layers) if (this.shows(shape.layer)) this.drawShape(shape);
    if (this.shows("regions")) for (const region of photo.regions) this.drawPlace(region);
    if (draft) this.drawDraft(draft);
    this.move();
  }

  // what a question may name without its being a place has its name below it; the pointer over a line tells its measure
  drawShape(shape) {
    const path = svg("path", { d: shape.path, class: shape.layer });
    const title = svg("title");
    title.textContent = shape.title;
    path.append(title);
    this.under.append(path);
    if (shape.name) this.label(`low ${shape.layer}`, shape.name, shape.at);
  }

  label(kind, words, at) {
    const badge = document.createElement("span");
    Object.assign(badge, { className: `badge ${kind}`, textContent: words, at });
    this.badges.append(badge);
  }

  drawPlace(region) {
    if (this.draft && this.draft.region === region.id) return;
    const d = pathOf(region.rings);
    const kind = `place${region.unsure || region.novel ? " unsure" : ""}${region.id === this.chosen ? " chosen" : ""}`;
    const path = svg("path", { d, class: kind, "data-region": region.id });
    path.addEventListener("click", () => this.on.choose(this, region.id));
    this.over.append(svg("path", { d, class: "halo" }), path);
    const top = region.rings.flat().reduce((high, p) => (p[1] < high[1] ? p : high));
    this.label(region.id === this.chosen ? "chosen" : "", `${region.id} ${region.words}${region.unsure ? " ?" : ""}`, top);
  }

  drawDraft(draft) {
    const points = draft.rings[0].map((p) => p.join(" ")); // none before the first click on a known length
    const line = points.length ? `M${points.join("L")}` : "";
    const d = draft.line ? line : pathOf(draft.rings);
    this.over.append(svg("path", { d, class: "halo" }), svg("path", { d, class: "draft" }));
    draft.rings.forEach((ring, r) =>
      ring.forEach((point, c) => {
        const now = draft.ring === r && draft.corner === c ? " now" : "";
        const dot = svg("circle", { cx: point[0], cy: point[1], r: 8, class: `corner${now}`, "data-corner": `${r}:${c}` });
        dot.addEventListener("pointerdown", (event) => this.on.grab(this, event, r, c));
        this.over.append(dot);
      }),
    );
  }

  fit() {
    const { clientWidth, clientHeight } = this.view;
    if (!clientWidth) return;
    this.fitted = true;
    this.least = Math.min(clientWidth / this.photo.width_px, clientHeight / this.photo.height_px);
    this.scale = this.least;
    this.x = (clientWidth - this.photo.width_px * this.scale) / 2;
    this.y = (clientHeight - this.photo.height_px * this.scale) / 2;
    this.move();
  }

  zoom(factor, at = { x: this.view.clientWidth / 2, y: this.view.clientHeight / 2 }) {
    const scale = Math.min(NEAREST, Math.max(this.least / 2, this.scale * factor));
    this.x = at.x - ((at.x - this.x) * scale) / this.scale;
    this.y = at.y - ((at.y - this.y) * scale) / this.scale;
    this.scale = scale;
    this.move();
  }

  // brings a place into the middle, as near as it fits
  show(rings) {
    const points = rings.flat();
    const [left, right] = [Math.min(...points.map((p) => p[0])), Math.max(...points.map((p) => p[0]))];
    const [top, bottom] = [Math.min(...points.map((p) => p[1])), Math.max(...points.map((p) => p[1]))];
    const { clientWidth, clientHeight } = this.view;
    const fits = Math.min(clientWidth / (right - left + 1), clientHeight / (bottom - top + 1)) * 0.4;
    this.scale = Math.min(2, Math.max(this.least, fits));
    this.x = clientWidth / 2 - ((left + right) / 2) * this.scale;
    this.y = clientHeight / 2 - ((top + bottom) / 2) * this.scale;
    this.move();
  }

  move() {
    this.sheet.style.transform = `translate(${this.x}px, ${this.y}px) scale(${this.scale})`;
    this.name();
    for (const dot of this.over.querySelectorAll("circle")) dot.setAttribute("r", 7 / this.scale);
    this.sharpen();
  }

  // the names at their places, none over another; the place in hand comes first, then damage before what lies below
  name() {
    const rank = ({ classList }) => (classList.contains("chosen") ? 0 : classList.contains("low") ? 2 : 1);
    const badges = [...this.badges.children].sort((a, b) => rank(a) - rank(b));
    const names = badges.map((badge) => ({
      at: [this.x + badge.at[0] * this.scale, this.y + badge.at[1] * this.scale],
      w: badge.offsetWidth,
      h: badge.offsetHeight,
      below: badge.classList.contains("low"),
    }));
    const boxes = arrange(names, this.view.clientWidth, this.view.clientHeight);
    const lines = boxes.map((box, n) => (box.led ? leader(names[n].at, box) : "")).filter(Boolean);
    this.leaders.replaceChildren(...["back", "line"].map((kind) => svg("path", { d: lines.join(""), class: kind })));
    badges.forEach((badge, n) => Object.assign(badge.style, { left: `${boxes[n].x}px`, top: `${boxes[n].y}px` }));
  }

  // where in the photograph a pointer is, px
  at(event) {
    const found = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [Math.round(found.x * 10) / 10, Math.round(found.y * 10) / 10];
  }

  listen() {
    const { view } = this;
    view.addEventListener("wheel", (event) => {
      event.preventDefault();
      const box = view.getBoundingClientRect();
      this.zoom(Math.exp(-event.deltaY / 400), { x: event.clientX - box.left, y: event.clientY - box.top });
    }, { passive: false });
    view.addEventListener("dblclick", () => this.draft || this.whole());
    view.addEventListener("pointerdown", (event) => {
      this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      this.moved = 0;
    });
    view.addEventListener("pointermove", (event) => this.drag(event));
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
      view.addEventListener(end, (event) => {
        const held = this.pointers.delete(event.pointerId);
        if (end === "pointerup" && held && this.moved < 5) this.on.click(this, this.at(event), event);
      });
    }
  }

  drag(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = { x: event.clientX, y: event.clientY };
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const box = this.view.getBoundingClientRect();
      const far = (p) => Math.hypot(p.x - other.x, p.y - other.y) || 1;
      this.zoom(far(now) / far(before), { x: other.x - box.left, y: other.y - box.top });
    } else {
      this.x += now.x - before.x;
      this.y += now.y - before.y;
      this.move();
    }
    this.moved += Math.hypot(now.x - before.x, now.y - before.y);
    if (this.moved > 5) this.view.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, now);
  }
}
