// What is said of the assembly beside its photographs: answer, questions, wires, history.
import { lengthOf, numberOf } from "./review_typed.js";

export const LABELS = [
  ["external_heat", "external heat"], ["electrical_overload", "electrical overload"], ["rodent", "rodent bites"],
  ["connector", "connector damage"], ["abrasion", "abrasion"], ["earlier_repair", "earlier repair"], ["sound", "sound"],
];
// labels that the shop added come behind, under keys 8 and 9
for (const name of (document.getElementById("bench")?.dataset.labels ?? "").trim().split(/\s+/)) {
  if (name && !LABELS.some(([known]) => known === name)) LABELS.push([name, name.replaceAll("_", " ")]);
}

export function tag(name, attributes = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "click") made.addEventListener("click", value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...inside);
  return made;
}

export const by = (id) => document.getElementById(id);

export function onSubmit(form, done) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    done(new FormData(form));
  });
}

// ends of the photographs, each with the connector of the circuit list that it is; hidden where there is no list
export function drawEnds(state) {
  by("ends-card").hidden = !state.connectors.length || !state.ends.length;
  const named = state.ends.filter((one) => one.connector);
  by("ends").replaceChildren(...named.map((one) => tag("li", {}, tag("strong", {}, one.name), ` is ${one.connector}`)));
  const form = by("end-named"), [was, connector] = [form.end.value, form.connector.value];
  const at = (one) => `${one.photo}:${one.end}`;
  form.end.replaceChildren(...state.ends.map((one) => tag("option", { value: at(one) }, one.name)));
  form.connector.replaceChildren(...state.connectors.map((name) => tag("option", { value: name }, name)));
  if (state.ends.some((one) => at(one) === was)) form.end.value = was;
  if (state.connectors.includes(connector)) form.connector.value = connector;
}

export function drawWires(state, act) {
  by("wires").replaceChildren(...state.wires.map((wire) => tag("li", {}, tag("strong", {}, wire.words), `: ${wire.says} `,
    tag("button", { type: "button", class: "button plain", "aria-label": `put wire ${wire.id} right`, click: () => act.again(wire) }, "put right"))));
  by("traced").replaceChildren(...state.traced.map((name) => tag("option", { value: name })));
  by("wire-plan").hidden = !state.plan;
  by("wire-plan").textContent = state.plan ? state.plan.replace(/^The plan/, "The work order's plan") : "";
  by("branch-words").textContent = state.branches ? `now: ${state.branches}` : "not said yet";
}

// what a sign-off asks about: places that nobody judged, answers that the photographs contradict, and open questions
// that may still worsen the route; the choice that is left is to look at them, or to let them stand where that is allowed.
// answers chosen or typed and not sent would be lost with it: they are named first, and can be sent from here
export function askBeforeSigning(state, unsent, { look, stand, send }) {
  const dialog = by("unjudged");
  const named = state.unjudged.filter((one) => one.must_be_named);
  const places = named.length ? named : state.unjudged;
  const despite = named.length ? [] : state.decision.contradicted;
  const open = named.length ? [] : state.still_open;
  const close = (then) => () => {
    dialog.close();
    then();
  };
  const first = () => look(places.length ? places[0].place : null);
  by("h-unjudged").textContent = [unsent.length ? counted(unsent, "answer is", "answers are") + " not sent yet" : "", named.length ? counted(places, "unsure place has", "unsure places have") + " no name yet" : places.length ? counted(places, "place", "places") + " nobody has judged" : "", despite.length ? counted(despite, "answer", "answers") + " a photograph contradicts" : "", open.length ? counted(open, "open question", "open questions") + " may still change the route" : ""].filter(Boolean).join(", ");
  by("unjudged-why").textContent = named.length ? "The rules need a name for each before anything is signed off. Name it, or delete it where nothing is." : !places.length && !despite.length && !open.length ? "" : "Look again, or say that you let this stand as shown. That goes on record with your name.";
  by("unjudged-unsent-why").hidden = !unsent.length;
  by("unjudged-unsent").replaceChildren(...unsent.map((one) => tag("li", {}, `${one.ask} `, tag("strong", {}, one.says))));
  by("unjudged-places").replaceChildren(...places.map((one) => tag("li", {}, tag("button", { type: "button", class: "button plain", click: close(() => look(one.place)) }, `${one.name} ${one.words}`))));
  by("unjudged-answers").replaceChildren(...despite.map((line) => tag("li", {}, line)));
  by("unjudged-answers-why").hidden = !despite.length;
  by("unjudged-worst").hidden = !open.length;
  by("unjudged-worst").textContent = `Now ${state.decision.route_words}; ${state.decision.worst_says}. Open:`;
  by("unjudged-open").replaceChildren(...open.slice(0, SHOWN).map((line) => tag("li", {}, line)), ...(open.length > SHOWN ? [tag("li", { class: "soft" }, `and ${open.length - SHOWN} more`)] : []));
  dialog.querySelector(".row").replaceChildren(
    ...(unsent.length ? [tag("button", { type: "button", class: "button main", click: close(send) }, unsent.length > 1 ? "Send the answers" : "Send the answer")] : []),
    tag("button", { type: "button", class: `button${unsent.length ? "" : " main"}`, click: close(first) }, places.length ? "Look at them" : "Look again"),
    ...(named.length ? [] : [tag("button", { type: "button", class: "button", "data-stand": true, click: close(() => stand(places.map((one) => one.place), [...despite, ...open])) }, places.length || despite.length || open.length ? "Let them stand and sign off" : "Sign off without")]));
  dialog.showModal();
}

export const SHOWN = 3; // of a longer list, so many are said in words

const counted = (list, one, more) => `${list.length} ${list.length === 1 ? one : more}`;

// what became of the route stands there at once; the rules that changed open
function changeOf(change) {
  const [first, rest] = [change.filter((line) => /^(route|at worst):/.test(line)), change.filter((line) => !/^(route|at worst):/.test(line))];
  const list = (lines) => tag("ul", {}, ...lines.map((line) => tag("li", {}, line)));
  return tag("div", { class: "note open", id: "change" }, tag("strong", {}, "Changed by the review"), ...(first.length ? [list(first)] : []),
    ...(rest.length ? [tag("details", {}, tag("summary", {}, first.length ? `${rest.length} more` : `${rest.length} rule${rest.length > 1 ? "s" : ""}`), list(rest))] : []));
}

export function drawDecision(state) {
  const { decision, change } = state;
  const order = ["violated", "cannot_tell", "met"];
  const rules = [...decision.rules].sort((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict));
  by("answer").replaceChildren(
    tag("p", { class: "row", id: "route" }, tag("span", { class: `mark route-${decision.route}${decision.provisional ? " provisional" : ""}` }, decision.route_words)),
    ...(decision.worst_says ? [tag("p", { id: "route-worst" }, decision.worst_says)] : []),
    ...(decision.by ? [tag("p", { class: "soft", id: "route-by" }, `${decision.route_words}: ${decision.by}`)] : []),
    tag("p", {}, `wires to repair: ${decision.wires}`),
    ...(decision.contradicted.length ? [tag("div", { class: "note stop", id: "contradicted", tabindex: "-1" }, tag("strong", {}, "Answers that the photographs contradict"), tag("ul", {}, ...decision.contradicted.map((line) => tag("li", {}, line))))] : []),
    ...(change.length ? [changeOf(change)] : []));
  by("decision").replaceChildren(
    tag("details", { open: innerWidth > 960 }, tag("summary", {}, `Plan, ${decision.plan.length} ${decision.plan.length === 1 ? "step" : "steps"}`), tag("ol", {}, ...decision.plan.map((step) => tag("li", {}, tag("strong", {}, step.action), `: ${step.why}`)))),
    tag("details", {}, tag("summary", {}, `Rules, ${rules.filter((r) => r.verdict === "violated").length} violated`),
      tag("ul", {}, ...rules.map((rule) => tag("li", {}, tag("strong", {}, `${rule.words}: `), tag("span", { title: rule.id }, rule.title), `. ${rule.says}`)))),
  );
}

// open questions answered by the same choices about other places, this one among them: alone where there is none
function alike(state, question) {
  const said = ({ on, fields }) => (on && fields.length && fields.every((one) => one.kind === "choice") ? JSON.stringify(fields) : null);
  return said(question) ? state.questions.filter((other) => said(other) === said(question)) : [question];
}

// whether a field holds anything else than was given; 7,50 is 7.5
const isNew = (text, given) => text.trim() !== given && !(given && text.trim() && Number(text.trim().replace(",", ".")) === Number(given));

// what was typed or chosen in the questions and not sent yet, by question and field
function unsent() {
  const inputs = [...by("questions").querySelectorAll("[data-at]")];
  return new Map(inputs.filter((one) => isNew(one.value, one.dataset.given)).map((one) => [one.dataset.at, one.value]));
}

// the answers among them, by question, in words and as the form that sends them
export function unsentAnswers(state) {
  return [...by("questions").querySelectorAll("form")].flatMap((form, i) => {
    const filled = [...form.querySelectorAll("[data-at]")].filter((one) => one.value.trim() && isNew(one.value, one.dataset.given));
    const question = state.questions[i];
    const says = filled.map((one) => {
      const field = question.fields.find(({ name }) => name === one.name);
      const value = one.selectedOptions ? one.selectedOptions[0].text : `${one.value.trim()} ${unitOf(field, state.unit)}`.trim();
      return question.fields.length > 1 ? `${field.words} ${value}` : value;
    });
    return filled.length ? [{ question, form, ask: question.ask, says: says.join(", ") }] : [];
  });
}

const unitOf = (field, unit) => ({ mm: unit, ampere: "A", mm2: "mm²", number: "", text: "", choice: "" })[field.kind];

export function drawQuestions(state, act) {
  const kept = unsent(); // an answer to another question draws all of them anew
  const items = state.questions.map((question, i) => {
    const same = alike(state, question);
    const form = tag("form", { class: "row" }, ...question.fields.map((field) => fieldOf(field, `q${i}`, state.unit, `${question.ask} ${field.name}`, kept)),
      ...(question.fields.length ? [tag("button", { class: "button" }, "Answer")] : [tag("span", { class: "soft" }, "only a new photograph answers this")]));
    if (same.length > 1) form.append(tag("button", { class: "button plain", name: "at", value: "all" }, `the same at ${same.map((one) => one.on).join(", ")}`));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      act.answer(event.submitter?.value === "all" ? same : [question], new FormData(form));
    });
    return tag("li", {}, tag("strong", {}, question.ask), tag("br"), tag("span", { class: "soft" }, question.why), form);
  });
  by("asked").textContent = state.questions.length || "";
  by("questions").replaceChildren(...(items.length ? items : [tag("li", { class: "soft" }, "No question on the route is open. What the plan of a repair needs besides (which wires, their sizes) is asked by the work order.")]));
}

function fieldOf(field, prefix, unit, at, kept) {
  const length = field.kind === "mm";
  const input = field.kind === "choice"
    ? tag("select", { name: field.name }, tag("option", { value: "" }, "–"), ...field.choices.map(([value, said]) => tag("option", { value }, said)))
    : tag("input", { name: field.name, inputmode: field.kind === "text" ? "text" : "decimal", size: "8", "data-length": length });
  input.id = `${prefix}-${field.name}`;
  Object.assign(input.dataset, { at, given: field.given });
  const typed = kept.get(at) ?? field.given;
  input.value = isNew(typed, field.given) ? typed : field.given;
  return tag("label", { for: input.id }, `${field.words} `, input, unitOf(field, unit));
}

// the answers of a form, by the places asked about where there are some
export function answersOf(questions, form, unit) {
  const [answers, question] = [{}, questions[0]];
  for (const field of question.fields) {
    const text = String(form.get(field.name) ?? "").trim();
    if (!text) continue;
    let value = { true: true, false: false }[text] ?? text;
    if (field.kind === "mm") value = Math.round(lengthOf(text, unit) * 1000) / 1000;
    else if (["ampere", "mm2", "number"].includes(field.kind)) value = numberOf(text, `a number for ${field.words}`);
    const whole = field.name === "circuit_length_mm" || !question.on;
    answers[field.name] = whole ? value : Object.fromEntries(questions.map(({ on }) => [on, value]));
  }
  return answers;
}

export function drawEntries(state, act) {
  const items = state.entries.map((entry) => {
    const standing = entry.standing ? tag("strong", { class: "stopword" }, ` ${entry.standing}`) : "";
    const line = tag("li", { "data-entry": String(entry.id) }, `${entry.words} `, tag("br"),
      tag("span", { class: "soft" }, `${entry.id} · ${entry.person} · ${new Date(entry.made_at).toLocaleString("sv-SE", { dateStyle: "short", timeStyle: "short" })}`), standing);
    if (entry.reason) line.append(tag("p", { class: "soft" }, entry.reason));
    if (entry.standing === "waits") line.append(conflictOf(entry, act));
    return line;
  });
  by("entries").replaceChildren(...(items.length ? items : [tag("li", { class: "soft" }, "Nothing yet: every answer will stand here with who gave it and when.")]));
}

function conflictOf(entry, act) {
  return tag("div", { class: "note stop conflict" },
    tag("p", {}, tag("strong", {}, "Two versions. "), "Written without having seen the other; it waits and does not count yet."),
    tag("p", {}, "On record before: ", tag("strong", {}, entry.against.join("; "))),
    tag("p", {}, "This one: ", tag("strong", {}, `${entry.person}: ${entry.words}`)),
    tag("div", { class: "row" },
      tag("button", { type: "button", class: "button", click: () => act.settle(entry.id, true) }, "Let this one count"),
      tag("button", { type: "button", class: "button", click: () => act.settle(entry.id, false) }, "Leave it out")));
}
