// Work sheets as the gateway gives them: cautions first, live figures, steps to tick, and the booking at the end.
// An open sheet's ticks and figures are the gateway's, the same on all devices; it is read five times a second. Of
// one that is not open, what was typed stays on this device until it is cleared.
import { attr, h, lay, number, stamp, text, time } from "./dom.js";
import { get, post, session } from "./api.js";
import { askLogin } from "./login.js";
import { phaseCard } from "./phase.js";
import { stepList } from "./steps.js";

const SLOW_MS = 3000;
const LIVE_MS = 200;
const TYPED_MS = 800;
const KEPT_MS = 172800000;
let asked = 0;
let present = null;
let place = null;
let name = "";
let engine = "";
let kept = { typed: {} };
let file = "";
let live = false;
let busy = 0;
let timer = 0;

export function leave() {
  asked++;
  clearInterval(timer);
  document.body.classList.remove("at-work");
  place = null;
}

export function update(_root, body) {
  present = body;
}

const beat = () => {
  if (live && place && Date.now() > busy && !document.hidden) ask();
};

export async function show(root, body) {
  present = body;
  leave();
  live = false;
  const mine = asked;
  const list = h("ul", { class: "sheet-list" });
  const fitting = h("p", {}, h("a", { href: "#commission" }, "Commissioning: the first fitting of a sensor head, step by step"));
  const sheet = h("section", { class: "sheet" });
  const intro = h("p", { text: "Asking…" });
  root.replaceChildren(h("h2", {}, "Work sheets"), intro, list, fitting, sheet);
  try {
    const { sheets } = await get("/api/sheet");
    if (mine !== asked) return;
    text(intro, sheets.length ? "A sheet helps to keep figures and order; the manual and the permit to work decide." : "This gateway has no work sheets on the page yet.");
    list.replaceChildren(...sheets.map((x) => h("li", {}, h("button", { type: "button", "aria-pressed": "false", onclick: (e) => {
      for (const b of list.querySelectorAll("button")) attr(b, "aria-pressed", b === e.target);
      choose(sheet, x.name);
    } }, x.title))));
    timer = setInterval(beat, LIVE_MS);
    const wanted = location.hash.split("/")[1];
    const n = sheets.findIndex((x) => x.name === wanted);
    if (n >= 0) list.querySelectorAll("button")[n].click();
  } catch (e) {
    text(intro, e.message);
  }
}

const shelf = () => `camdrift-sheet-${name}-${engine}`;

function choose(sheet, wanted) {
  name = wanted;
  engine = engine || (present && present.engines[0] && present.engines[0].slug) || "";
  begin(sheet);
}

function begin(sheet) {
  file = "";
  kept = { typed: {} };
  try {
    const old = JSON.parse(localStorage.getItem(shelf()) || "{}");
    if (Date.now() - (old.at || 0) < KEPT_MS) kept = { ...kept, ...old };
  } catch { /* begins empty */ }
  sheet.replaceChildren();
  sheet.made = null;
  place = sheet;
  ask();
}

function keep() {
  kept.at = Date.now();
  try { localStorage.setItem(shelf(), JSON.stringify(kept)); } catch { /* kept while the page is open */ }
}

async function ask() {
  const sheet = place;
  const mine = ++asked;
  busy = Date.now() + SLOW_MS;
  try {
    const query = { ...kept.typed, engine };
    const body = file ? await post(`/api/sheet/${name}`, { engine, typed: kept.typed, file }) : await get(`/api/sheet/${name}`, query);
    if (mine !== asked) return;
    // Of an open sheet another device's ticks and figures are followed too, whether its figures move or not.
    live = body.live || Boolean(body.record);
    if (!sheet.made) make(sheet, body);
    sheet.made.draw(body);
  } catch (e) {
    if (mine !== asked) return;
    if (file) { file = ""; if (e.status === 401) askLogin(e.message); }
    if (sheet.made) text(sheet.made.why, e.message);
    else sheet.replaceChildren(h("p", { class: "why", role: "alert" }, e.message));
    live = true;
    busy = Date.now() + SLOW_MS;
    return;
  }
  busy = 0;
}

function make(sheet, body) {
  const why = h("p", { class: "why", role: "status" });
  const notices = h("div", { class: "notices", role: "status" });
  const big = h("dl", { class: "bigs" });
  const small = h("dl", { class: "figures" });
  const clocks = h("div", {});
  const book = booking();
  const why_act = h("p", { class: "why", role: "status" });
  const act = async (what, more = {}) => {
    try {
      await post(`/api/sheet-act/${name}`, { engine, act: what, ...more });
      text(why_act, "");
      await ask();
      return true;
    } catch (e) {
      text(why_act, e.message);
      if (e.status === 401 || !session.user) askLogin(e.message);
      return false;
    }
  };
  const card = phaseCard(act, { get: () => kept.at_step ?? null, set: (n) => { kept.at_step = n; keep(); } }, book.el,
    { waits, figures, notices: showNotices, ticked });
  // What was typed before the sheet was open goes into it, where it can be; it is then the same on all devices.
  const open = async () => {
    const typed = Object.entries(kept.typed).filter(([key, value]) => value && !key.startsWith("unlock_"));
    if (!await act("open")) return;
    kept = { typed: {} };
    keep();
    const faults = [];
    for (const [key, value] of typed) if (!await act("figure", { key, value })) faults.push(why_act.textContent);
    text(why_act, faults.join(" "));
  };
  const close = async () => {
    const r = sheet.made.record;
    const lost = r && !r.booked.length && (Object.keys(r.ticks).length || Object.keys(r.figures).length);
    const reason = lost ? (window.prompt("Nothing is booked from this sheet. Reason to close it:") || "").trim() : "";
    if ((!lost || reason) && await act("close", { reason: reason.slice(0, 200) })) { kept = { typed: {} }; keep(); }
  };
  const opening = h("p", { class: "row" }, h("button", { type: "button", class: "do-now", onclick: open }, "Open this sheet"));
  const closing = h("p", { class: "row" }, h("button", { type: "button", onclick: () => {
    kept.at_step = body.steps.findIndex((s) => s.key === "book");
    keep();
    sheet.classList.remove("list");
    ask();
  } }, "To the booking"), h("button", { type: "button", onclick: close }, "Close this sheet"));
  const clear = h("button", { type: "button", onclick: () => { localStorage.removeItem(shelf()); begin(sheet); } }, "Clear this sheet");
  const heading = h("p", { class: "words" });
  const code = h("img", { class: "code", alt: "QR code that leads to this sheet on the ship's page", src: `/api/sheet/${name}/code.svg`, width: 120, height: 120, onerror: () => code.remove() });
  const list = stepList(body.steps, async (key, box) => {
    const wanted = box.checked;
    const reason = wanted ? "" : (window.prompt("Reason to take back this tick:") || "").trim();
    if (!wanted && !reason) { box.checked = true; return; }
    if (!await act(wanted ? "tick" : "untick", { key, reason })) box.checked = !wanted;
  }, (key) => act("countersign", { key }));
  const inputs = (body.inputs || []).map((i) => typing(i, act));
  const engines = present && present.engines.length > 1
    ? h("p", {}, h("label", {}, "Engine ", h("select", { onchange: (e) => { engine = e.target.value; begin(sheet); } },
      present.engines.map((e) => h("option", { value: e.slug, selected: e.slug === engine }, e.name))))) : null;
  const draw = (b) => {
    text(why, "");
    const open = Boolean(b.record);
    sheet.classList.toggle("open", open);
    document.body.classList.toggle("at-work", open && !sheet.classList.contains("list"));
    opening.hidden = open;
    closing.hidden = card.el.hidden = !open;
    text(heading, [b.ship, b.engine_name, b.engine_number, `printed ${stamp(Date.now())} UTC`, open ? `opened by ${b.record.opened_by}, ${stamp(b.record.opened_utc_s * 1000)} UTC` : "not open"].filter(Boolean).join(", "));
    sheet.made.record = b.record;
    clear.hidden = open;
    if (open) card.draw(b);
    list.draw(open, (key) => tickOf(b.record, key), b.steps);
    showNotices(notices, b.notices || []);
    figures(big, b.figures.filter((f) => f.big));
    figures(small, b.figures.filter((f) => !f.big));
    waits(clocks, b.waits || []);
    for (const i of inputs) i.draw((b.inputs || []).find((x) => x.name === i.name) || {}, b.record);
    book.draw(b);
  };
  sheet.made = { why, draw };
  lay(sheet, h("h3", {}, body.title), heading, code, opening, why_act, card.el,
    h("div", { class: "cautions" }, h("ul", {}, body.cautions.map((c) => h("li", {}, c)))),
    engines, why, notices, big, clocks, inputs.map((i) => i.el), name === "pressures" ? chooseFile() : null, small,
    h("h4", {}, "Steps"), list.el, signatures(), closing,
    h("p", { class: "row" }, h("button", { type: "button", onclick: () => print() }, "Print"), clear));
}

const unit = (u) => (!u ? "" : /^[°%]/.test(u) ? u : ` ${u}`);
const shown = (f) => (f.value === null || f.value === undefined ? "not known" : `${typeof f.value === "number" ? number(f.value, f.digits ?? 2) : f.value}${unit(f.unit)}`);

// Made once for the same figures and then only changed, so that nothing jumps under the finger.
function figures(el, wanted) {
  const names = wanted.map((f) => f.name).join("|");
  if (el.names !== names) {
    el.names = names;
    el.replaceChildren(...wanted.map((f) => h("div", {}, h("dt", {}, f.name), h("dd", {}), f.help ? h("dd", { class: "meaning" }) : null)));
  }
  for (const [n, f] of wanted.entries()) {
    text(el.children[n].children[1], shown(f));
    if (f.help && el.children[n].children[2]) text(el.children[n].children[2], f.help);
  }
}

function showNotices(el, wanted) {
  while (el.children.length > wanted.length) el.lastChild.remove();
  for (const [n, x] of wanted.entries()) {
    if (!el.children[n]) el.append(h("p", {}));
    attr(el.children[n], "class", `notice ${x.level}`);
    text(el.children[n], x.text);
  }
}

const minutes = (s) => `${Math.floor(s / 60)} min ${String(Math.floor(s % 60)).padStart(2, "0")} s`;

function waits(el, wanted) {
  while (el.children.length > wanted.length) el.lastChild.remove();
  for (const [n, w] of wanted.entries()) {
    if (!el.children[n]) el.append(h("p", { class: "wait" }, h("b", {}), h("span", { class: "clock" }), h("span", {})));
    const [what, clock, words] = el.children[n].children;
    text(what, `${w.text} `);
    text(clock, w.since_s === null ? "not known" : minutes(w.since_s));
    text(words, ` minimum ${number(w.least_s / 60, 0)} min. ${w.words}`);
  }
}

const ticked = (t) => `${t.by}, ${time(t.utc_s * 1000)} UTC${t.second_by ? `; countersigned by ${t.second_by}, ${time(t.second_utc_s * 1000)} UTC` : ""}`;
const tickOf = (record, key) => {
  const t = record && record.ticks[key];
  return t ? { words: ticked(t), signed: Boolean(t.second_by) } : null;
};

// Lines to sign on the print.
const signatures = () => h("ul", { class: "signatures" }, ["Done by", "Second person", "Chief engineer"].map((who) => h("li", {}, `${who}: name, date, signature `, h("span", { class: "sign-here" }))));

function typing(i, act) {
  let open = false;
  let later = 0;
  const clock = (v) => (v ? `${time(Number(v) * 1000)} UTC` : "");
  const first = kept.typed[i.name] ?? i.value;
  const input = h("input", { value: i.moment ? clock(first) : first, readonly: i.moment, maxlength: 200, inputmode: "text", autocomplete: "off", oninput: (e) => set(e.target.value) });
  const set = (v) => {
    if (open) { clearTimeout(later); later = setTimeout(() => act("figure", { key: i.name, value: v }), TYPED_MS); return; }
    kept.typed[i.name] = v;
    keep();
    ask();
  };
  const button = h("button", { type: "button", hidden: true, onclick: () => {
    const v = String(button.take);
    input.value = i.moment ? clock(v) : v;
    set(v);
  } });
  const locked = h("span", { class: "words" });
  const unlock = h("button", { type: "button", hidden: true, onclick: () => {
    const reason = (window.prompt("Reason for the change:") || "").trim();
    if (!reason) return;
    if (open) { act("unlock", { key: i.name, reason: reason.slice(0, 200) }); return; }
    kept.typed[`unlock_${i.name}`] = reason.slice(0, 200);
    keep();
    ask();
  } }, "Change");
  const el = h("div", { class: "typed" }, h("label", {}, `${i.label}${i.unit ? `, ${i.unit}` : ""} `, input), button, unlock, locked, i.help ? h("span", { class: "words" }, i.help) : null);
  return { el, name: i.name, draw: (x, record) => {
    open = Boolean(record);
    if (open && document.activeElement !== input) {
      const v = record.figures[i.name] ?? x.value ?? "";
      const wanted = i.moment ? clock(v) : v;
      if (input.value !== wanted) input.value = wanted;
    }
    button.take = x.take;
    button.hidden = x.take === null || x.take === undefined;
    text(button, i.press ? `${i.press}${i.moment ? "" : ` ${number(x.take, 2)}`}` : `Take ${number(x.take, 2)}`);
    input.readOnly = Boolean(i.moment || x.locked);
    unlock.hidden = !x.locked;
    text(locked, x.locked || "");
  } };
}

function chooseFile() {
  return h("p", {}, h("label", {}, "Or a pressure/crank-angle file, CSV with units in its heading ",
    h("input", { type: "file", accept: ".csv,.txt,text/csv", onchange: async (e) => {
      const chosen = e.target.files[0];
      file = chosen ? await chosen.text() : "";
      ask();
    } })));
}

function booking() {
  let ready = null;
  let record = null;
  const person = h("input", { maxlength: 64, autocomplete: "off" });
  const reason = h("input", { maxlength: 200, autocomplete: "off" });
  const reasoned = h("p", {}, h("label", {}, "Reason (ticks are missing, or what is corrected) ", reason));
  const will = h("p", { class: "words" });
  const why = h("p", { class: "why", role: "status" });
  const send = async (dry) => {
    book.disabled = true;
    try {
      const entry = { ...ready, ...(person.value ? { person: person.value } : {}) };
      const done = await post("/api/book", { engine, entry, dry, sheet: name, reason: reason.value.trim(), corrects: record.booked.at(-1) || "" });
      text(why, dry ? `Will be booked: ${done.answer.words} Nothing is booked yet.` : `Booked as ${done.answer.entry.id}.`);
      book.disabled = !dry;
      if (!dry) { reason.value = ""; await ask(); }
    } catch (e) {
      text(why, e.message);
      if (e.status === 401) askLogin(e.message);
    }
  };
  const check = h("button", { type: "button", onclick: () => send(true) }, "Check");
  const book = h("button", { type: "submit", disabled: true }, "Book it");
  const el = h("form", { class: "book", onsubmit: (e) => { e.preventDefault(); if (!book.disabled) send(false); } }, h("h4", {}, "To book"), will,
    reasoned, h("p", {}, h("label", {}, "Done by (empty: whoever is logged in) ", person)), why, h("p", { class: "row" }, check, book));
  return { el, draw: (b) => {
    ready = b.booking;
    record = b.record;
    reasoned.hidden = !record || !(record.missing.length || record.booked.length);
    text(book, record && record.booked.length ? "Book the correction" : "Book it");
    check.disabled = !ready || !record;
    if (check.disabled) book.disabled = true;
    text(will, !ready ? `Nothing yet. Still needed: ${b.booking_wants || "nothing that this sheet books"}.` : record ? record.words : "Open this sheet to book from it.");
  } };
}
