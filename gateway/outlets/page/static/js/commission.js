// Commissioning of a sensor head: one task after the other, judged by the gateway, which keeps the record.
// The terminal's command goes through the same tasks and the same record; whoever looks later sees where it stands.
import { h, lay, stamp, text, time } from "./dom.js";
import { get, onSession, post, session } from "./api.js";
import { askLogin } from "./login.js";
import { stepList } from "./steps.js";

const ASK_MS = 3000;
let asked = 0;
let due = 0;
let present = null;
let place = null;
let engine = "";
let picked = null;

export function leave() {
  asked++;
  place = null;
}

export function update(_root, body) {
  const first = !present;
  present = body;
  if (place && (first || Date.now() > due)) ask();
}

export function show(root, body) {
  present = body;
  picked = null;
  const why = h("p", { class: "why", role: "alert" });
  const found = h("div", { class: "found", role: "status" });
  const task = h("section", { class: "sheet", "aria-label": "Task" });
  const list = h("ol", { class: "tasks" });
  const end = h("section", { class: "sheet" });
  lay(root, h("h2", {}, "Commissioning"),
    h("p", {}, "The first fitting of a sensor head. The program proposes settings and changes none. The engine maker's manual, class rules, the safety management system and the permit to work decide."),
    engines(), why, found, task, h("h3", {}, "All tasks"), list, end);
  place = { why, found, task, list, end, key: null };
  ask();
}

function engines() {
  const all = present ? present.engines : [];
  if (!all.some((e) => e.slug === engine)) engine = all.length ? all[0].slug : "";
  if (all.length < 2) return null;
  return h("p", {}, h("label", {}, "Engine ", h("select", { onchange: (e) => { engine = e.target.value; again(null); } },
    all.map((e) => h("option", { value: e.slug, selected: e.slug === engine }, e.name)))));
}

// Another task or engine is looked at: what was found before goes.
function again(key) {
  picked = key;
  place.key = null;
  place.found.replaceChildren();
  ask();
}

async function ask() {
  const mine = ++asked;
  const here = place;
  due = Date.now() + ASK_MS;
  try {
    const body = await get("/api/commission", { engine, task: picked });
    if (mine === asked) draw(here, body);
  } catch (e) {
    if (mine === asked) text(here.why, e.message);
  }
}

// One step of the record. What was refused is shown, and what was typed stays.
async function act(step, more = {}) {
  const here = place;
  const mine = ++asked;
  due = Date.now() + ASK_MS;
  try {
    const body = await post("/api/commission", { engine, step, ...more });
    if (mine !== asked) return;
    if (step === "begin") untick(more.task);
    else picked = null;
    if (body.found) result(here.found, body.found);
    else here.found.replaceChildren();
    here.key = null;
    draw(here, body);
    (body.found ? here.found : here.task).scrollIntoView({ block: "nearest" });
  } catch (e) {
    text(here.why, e.message);
    if (e.status === 401) askLogin(e.message);
  }
}

function draw(here, body) {
  text(here.why, "");
  const t = body.task;
  const key = t ? `${t.key} ${t.started}` : "";
  if (here.key !== key) {
    here.key = key;
    here.live = h("ul", { class: "live-lines" });
    lay(here.task, t ? one(t, here.live) : h("p", { class: "notice good" }, "All tasks are done."));
  }
  if (t) for (const [n, line] of pad(here.live, t.live).entries()) text(here.live.children[n], line);
  rows(here.list, body, t);
  ending(here.end, body);
}

function pad(list, lines) {
  while (list.children.length > lines.length) list.lastChild.remove();
  while (list.children.length < lines.length) list.append(h("li", {}));
  return lines;
}

function one(t, live) {
  const { ticks, keep } = kept(t.key);
  const list = stepList(t.steps, (key, box) => {
    if (box.checked) ticks[key] = Date.now();
    else delete ticks[key];
    keep();
    mark();
  });
  const mark = () => list.draw(true, (key) => (ticks[key] ? { words: `${time(ticks[key])} UTC` } : null));
  mark();
  const fields = t.questions.map(question);
  const typed = () => Object.fromEntries(fields.map((f) => [f.name, f.input.value]));
  const ready = !t.spans || t.started;
  const skip = t.safety ? null : h("button", { type: "button", "data-do": "leave-out", onclick: () => {
    const reason = (window.prompt("Reason for leaving the task out:") || "").trim();
    if (reason) act("leave-out", { task: t.key, reason: reason.slice(0, 400) });
  } }, "Leave out");
  const judge = h("form", { onsubmit: (e) => { e.preventDefault(); act("finish", { task: t.key, typed: typed() }); } },
    fields.map((f) => f.el), h("p", { class: "row" }, h("button", { type: "submit", "data-do": "finish" }, "All steps are done: judge"), skip,
      t.spans ? h("button", { type: "button", "data-do": "begin", onclick: () => act("begin", { task: t.key }) }, "Begin again") : null));
  const begin = h("p", { class: "row" }, h("button", { type: "button", "data-do": "begin", onclick: () => act("begin", { task: t.key }) }, "Begin: nothing has moved yet"), skip);
  return [h("h3", {}, t.title),
    t.spans ? h("p", { class: "words" }, ready ? "Started. Now do the steps in their order." : "Read the steps. Begin BEFORE anything moves.") : null,
    ...(t.steps.length ? [h("h4", {}, "Steps"), ...list.el] : [h("p", { class: "words" }, "Nothing to do: the sensors show it.")]),
    h("h4", {}, "Sensors now"), live,
    t.key === "trial" ? h("p", { class: "row" }, h("button", { type: "button", "data-do": "try-alarm", onclick: trial }, "Raise the trial alarm")) : null,
    ready ? judge : begin];
}

async function trial() {
  const here = place;
  try {
    await post("/api/alarm/trial/try-alarm", { engine });
    text(here.why, "");
    lay(here.found, h("p", { class: "notice" }, "The trial alarm stands for two minutes. Look at each outlet."));
  } catch (e) {
    text(here.why, e.message);
    if (e.status === 401) askLogin(e.message);
  }
}

function question(q) {
  const input = q.kind === "yes"
    ? h("select", { name: q.name }, h("option", { value: "" }, "–"), h("option", { value: "yes" }, "yes"), h("option", { value: "no" }, "no"))
    : h("input", { name: q.name, inputmode: "decimal", maxlength: 60, autocomplete: "off" });
  return { name: q.name, input, el: h("div", { class: "typed" }, h("label", {}, `${q.text.replace("? yes or no", "?")} `, input)) };
}

function result(el, found) {
  lay(el, h("p", { class: `notice ${found.ok ? "good" : "refused"}` }, found.ok ? "OK" : "NOT RIGHT"),
    h("ul", {}, found.lines.map((line) => h("li", {}, line))),
    found.settings.length ? [h("p", {}, "Proposed; the program changes nothing:"), h("pre", { tabindex: "0" }, found.settings.join("\n"))] : null);
}

const SIGN = { "OK": "✓", "left out": "–", "not right": "✕", "started": "…", "not done": "○" };

function rows(list, body, shown) {
  const state = JSON.stringify([body.tasks, shown && shown.key]);
  if (list.state === state) return;
  list.state = state;
  lay(list, body.tasks.map((r) => h("li", { "aria-current": shown && r.key === shown.key ? "step" : null },
    h("p", {}, `${SIGN[r.state] || ""} `, h("b", {}, r.title), ` ${r.state}${r.utc ? `, ${stamp(Date.parse(r.utc))} UTC, ${r.by}` : ""} `,
      h("button", { type: "button", "data-task": r.key, "aria-label": `${r.state === "not done" ? "Open" : "Open again"}: ${r.title}`, onclick: () => { again(r.key); place.task.scrollIntoView({ block: "nearest" }); } }, r.state === "not done" ? "Open" : "Again")),
    r.lines.length ? h("ul", { class: "words" }, r.lines.map((line) => h("li", {}, line))) : null)));
}

function ending(el, body) {
  const state = JSON.stringify([body.proposed, body.signed, body.complete, body.text, session.user]);
  if (el.state === state) return;
  el.state = state;
  lay(el, body.proposed.length ? [h("h3", {}, "Proposed settings"), h("pre", { tabindex: "0" }, body.proposed.join("\n"))] : null,
    h("h3", {}, "Record"), signatures(body), body.complete ? sign(body) : h("p", { class: "words" }, "It is signed when all tasks are done, or left out for a reason."),
    body.text ? [h("pre", { class: "record", tabindex: "0" }, body.text), h("p", { class: "words" }, `Kept in ${body.kept_in}`)]
      : h("p", { class: "words" }, "Log in to see the record with its names."),
    h("p", { class: "row" }, h("button", { type: "button", onclick: () => print() }, "Print"), h("button", { type: "button", "data-do": "again", onclick: () => {
      if (window.confirm("A new fitting? The record is put aside and kept; a new one begins.")) act("again");
    } }, "New fitting")));
}

const signatures = (body) => h("ul", {}, body.signed.map((s) => h("li", {}, `${s.role}: ${s.name}, ${stamp(Date.parse(s.utc))} UTC, entered by ${s.by}`,
  s.valid ? null : h("b", {}, " The record was changed since: sign again."))));

function sign(body) {
  const role = h("select", { name: "role" }, body.roles.map((r) => h("option", { value: r }, r)));
  const name = h("input", { name: "name", maxlength: 64, autocomplete: "off", required: true });
  return h("form", { class: "book", onsubmit: (e) => { e.preventDefault(); act("sign", { role: role.value, name: name.value }); } },
    h("p", { class: "words" }, "Whether a name entered here counts as a signature is for class and the company to decide."),
    h("p", {}, h("label", {}, "As ", role)), h("p", {}, h("label", {}, "Name ", name)),
    h("p", { class: "row" }, h("button", { type: "submit", "data-do": "sign" }, "Sign the record")));
}

// Ticks stay on this device; what was found is kept by the gateway.
const nameOf = (key) => `camdrift-commission-${engine}-${key}`;

// A task that begins again has no step done.
function untick(key) {
  try { localStorage.removeItem(nameOf(key)); } catch { /* nothing was kept */ }
}

function kept(key) {
  const name = nameOf(key);
  let ticks = {};
  try { ticks = JSON.parse(localStorage.getItem(name) || "{}"); } catch { /* begins empty */ }
  return { ticks, keep: () => { try { localStorage.setItem(name, JSON.stringify(ticks)); } catch { /* kept while the page is open */ } } };
}

onSession((_s, other) => {
  if (other && place) ask();
});
