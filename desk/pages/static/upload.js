// Sends photographs in pieces, shows how far each is, goes on where the connection broke, and shows the answer.
const form = document.getElementById("send");
const list = document.getElementById("sending");
const line = document.getElementById("line");
const thumbs = document.getElementById("thumbs");
const token = document.querySelector('meta[name="form-token"]').content;
const PIECE = 512 * 1024;
const TRIES = 8;
const AT_ONCE = 2;
const WORDS = { face_a: "First face", face_b: "Other face", close_up: "Close-up", after_repair: "After the repair" };
const waiting = [];
let running = 0;

class Final extends Error {}

function keyOf(file, face) {
  // the same file gives the same key, so that a page opened again goes on with what has arrived
  const text = `${file.name}|${file.size}|${file.lastModified}|${face}`;
  let a = 0x811c9dc5;
  let b = 0x01000193;
  for (const sign of text) {
    a = Math.imul(a ^ sign.codePointAt(0), 0x01000193) >>> 0;
    b = Math.imul(b ^ sign.codePointAt(0), 0x85ebca6b) >>> 0;
  }
  return `k${a.toString(16).padStart(8, "0")}${b.toString(16).padStart(8, "0")}-${file.size}`;
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function request(address, options) {
  const answer = await fetch(address, { ...options, headers: { "X-Form-Token": token, ...(options.headers || {}) } });
  const type = answer.headers.get("content-type") || "";
  const data = type.includes("json") ? await answer.json() : { error: await answer.text() };
  if (answer.status >= 500 && answer.status !== 507) throw new Error(data.error || `status ${answer.status}`);
  return { status: answer.status, data };
}

async function send(item) {
  const base = `/api/v1/assemblies/${form.dataset.assembly}/uploads/${keyOf(item.file, item.face)}`;
  let tries = 0;
  let offset = null;
  for (;;) {
    try {
      if (offset === null) offset = (await request(base, { method: "GET" })).data.received || 0;
      const piece = item.file.slice(offset, Math.min(offset + PIECE, item.file.size));
      const query = new URLSearchParams({ offset, size: item.file.size, face: item.face, name: item.file.name });
      const { status, data } = await request(`${base}?${query}`, {
        method: "PUT",
        body: piece,
        headers: { "Content-Type": "application/octet-stream" },
      });
      if (status === 409 && "received" in data) {
        if (data.received === offset && ++tries > TRIES) throw new Final(data.error);
        if (data.received === offset) await pause(400 * tries);
        offset = data.received;
        continue;
      }
      if (status !== 200) throw new Final(data.error || `status ${status}`);
      tries = 0;
      if ("id" in data) return data;
      offset = data.received;
      item.bar.value = Math.round((100 * offset) / item.file.size);
      item.said.textContent = `${item.bar.value} %`;
      if (offset >= item.file.size) item.said.textContent = "arrived, being looked at";
    } catch (error) {
      if (error instanceof Final) throw error;
      if (++tries > TRIES) throw new Error("no connection: the photograph is still on this phone");
      item.said.textContent = `connection lost, trying again (${tries})`;
      offset = null;
      await pause(Math.min(8000, 500 * 2 ** (tries - 1)));
    }
  }
}

function show(item, answer) {
  item.bar.remove();
  item.said.textContent = answer.says;
  item.row.classList.add("note", answer.elsewhere ? "open" : answer.usable ? "go" : "stop");
  if (answer.elsewhere) {
    const link = document.createElement("a");
    link.href = `#photo-${answer.id}`;
    link.textContent = "Show it";
    item.row.append(link);
    return;
  }
  for (const advice of answer.retake) {
    const entry = document.createElement("li");
    entry.textContent = `${advice.fault}: ${advice.advice}`;
    item.advice.append(entry);
  }
  if (!answer.usable) item.row.scrollIntoView({ block: "nearest" });
  if (answer.again) return;
  thumbs.append(thumbOf(answer));
  document.getElementById("none-yet")?.remove();
  const have = document.querySelector(`.have[data-face="${answer.face}"]`);
  if (have && answer.usable) have.textContent = "there";
  nextFace();
}

function thumbOf(answer) {
  const entry = document.getElementById("thumb").content.firstElementChild.cloneNode(true);
  entry.id = `photo-${answer.id}`;
  const picture = entry.querySelector("img");
  picture.src = `/photographs/${answer.id}/thumb`;
  picture.alt = `${WORDS[answer.face]}, ${answer.name}`;
  entry.querySelector("strong").textContent = WORDS[answer.face];
  entry.querySelector(".is").textContent = answer.usable ? "usable" : "take it again";
  for (const change of entry.querySelectorAll("form")) {
    change.setAttribute("action", change.getAttribute("action").replace("PHOTO", answer.id));
  }
  entry.querySelector("select").value = answer.face;
  return entry;
}

function nextFace() {
  const missing = [...document.querySelectorAll(".have")].find((have) => have.textContent === "still missing");
  const face = missing ? missing.dataset.face : "close_up";
  form.querySelector(`input[name="face"][value="${face}"]`).checked = true;
}

async function work() {
  while (running < AT_ONCE && waiting.length) {
    const item = waiting.shift();
    running += 1;
    send(item)
      .then((answer) => show(item, answer))
      .catch((error) => {
        item.said.textContent = error.message;
        item.row.classList.add("note", "stop");
        item.again.hidden = false;
        item.row.scrollIntoView({ block: "nearest" });
      })
      .finally(() => {
        running -= 1;
        work();
      });
  }
}

function add(file, face) {
  const row = line.content.firstElementChild.cloneNode(true);
  const item = {
    file,
    face,
    row,
    bar: row.querySelector("progress"),
    said: row.querySelector(".said"),
    advice: row.querySelector(".advice"),
    again: row.querySelector(".again"),
  };
  row.querySelector(".what").textContent = `${WORDS[face]}: ${file.name}`;
  item.bar.setAttribute("aria-label", `Sending ${file.name}`);
  item.said.textContent = "waiting";
  item.again.addEventListener("click", () => {
    item.again.hidden = true;
    row.classList.remove("note", "stop");
    waiting.push(item);
    work();
  });
  waiting.push(item);
  return row;
}

function take(pick) {
  const face = form.querySelector('input[name="face"]:checked')?.value;
  if (!face || !pick.files.length) return;
  list.prepend(...[...pick.files].map((file) => add(file, face))); // the newest first, where it is looked for
  list.firstElementChild?.scrollIntoView({ block: "nearest" });
  pick.value = "";
  work();
}

for (const pick of form.querySelectorAll(".pick")) {
  pick.addEventListener("change", () => take(pick));
  take(pick); // chosen while the page was still loading
}

window.addEventListener("beforeunload", (event) => {
  if (running || waiting.length) event.preventDefault();
});
