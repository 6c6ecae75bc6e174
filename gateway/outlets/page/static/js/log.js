// The record: events and bookings, filtered, as CSV; and booking what was done.
import { h, lay, number, stamp, text } from "./dom.js";
import { get, post, save } from "./api.js";
import { askLogin } from "./login.js";
import { photosOf } from "./photos.js";
import { PRIORITY } from "./words.js";

const KINDS = { "": "everything", alarm: "alarms", adjustment: "work on the drive", gateway: "the gateway itself" };
let engines = [];
let asked = 0;
let pause = 0;
const TYPING_MS = 400;

export const leave = () => { asked++; clearTimeout(pause); };

export function show(root, present) {
  engines = present ? present.engines : [];
  const body = h("tbody", {});
  const older = h("button", { type: "button", hidden: true }, "Older");
  const status = h("p", { role: "status" });
  const kind = h("select", { id: "log-kind" }, Object.entries(KINDS).map(([k, name]) => h("option", { value: k }, name)));
  const engine = h("select", { id: "log-engine" }, h("option", { value: "" }, "all"), engines.map((e) => h("option", { value: e.slug }, e.name)));
  const priority = h("select", { id: "log-priority" }, h("option", { value: "" }, "all"), Object.entries(PRIORITY).map(([k, name]) => h("option", { value: k }, name)));
  const by = h("input", { id: "log-by", maxlength: 60, type: "search", autocomplete: "off" });
  const word = h("input", { id: "log-word", maxlength: 60, type: "search", autocomplete: "off" });
  const csv = h("a", { class: "button", href: "/api/events.csv", download: "events.csv" }, "Events as CSV");
  const state = { body, older, status, rows: [], next: null };
  const query = () => ({ kind: kind.value, engine: engine.value, priority: priority.value, by: by.value.trim(), text: word.value.trim() });
  const refresh = () => {
    state.rows = [];
    state.next = null;
    csv.href = `/api/events.csv?${new URLSearchParams(Object.entries(query()).filter(([, v]) => v))}`;
    more(state, query());
  };
  // The record is searched by the gateway: once, when the typing pauses.
  const typed = () => { clearTimeout(pause); pause = setTimeout(refresh, TYPING_MS); };
  older.addEventListener("click", () => more(state, query()));
  for (const choice of [kind, engine, priority]) choice.addEventListener("change", refresh);
  for (const field of [by, word]) field.addEventListener("input", typed);
  lay(root, h("h2", {}, "Log"), bookForm(refresh),
    h("form", { class: "filter", onsubmit: (e) => e.preventDefault() },
      [["log-kind", "Show", kind], ["log-engine", "of engine", engine], ["log-priority", "with priority", priority], ["log-by", "by", by], ["log-word", "with the text", word]]
        .map(([id, name, field]) => h("span", { class: "pair" }, h("label", { for: id }, name), field))),
    h("p", { class: "row" }, csv, engines.map((e) => h("a", { class: "button", href: `/api/bookings.csv?engine=${e.slug}`, download: "log-book.csv" }, engines.length > 1 ? `Log book of ${e.name} as CSV` : "Log book as CSV"))),
    reportForm(),
    h("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Record, newest first" },
      h("table", { class: "log" }, h("caption", { class: "unseen" }, "Record, newest first"),
        h("thead", {}, h("tr", {}, ["Time, UTC", "Engine", "Event", "Details"].map((x) => h("th", { scope: "col" }, x)))), body)),
    status, h("p", {}, older));
  refresh();
}

// Kind: its name in the list, of the file, and the file's ending.
const REPORTS = {
  pdf: ["PDF", "report", "pdf"],
  html: ["web page (HTML)", "report", "html"],
  survey: ["survey file (PDF and CSV in a ZIP)", "survey", "zip"],
};

// A report of whole days, as a file to save, print and sign; the gateway takes seconds to make it.
function reportForm() {
  const date = (id, ms) => h("input", { id, type: "date", required: true, value: new Date(ms).toISOString().slice(0, 10) });
  const from = date("report-from", Date.now() - 30 * 86400000);
  const to = date("report-to", Date.now());
  const kind = h("select", { id: "report-kind" }, Object.entries(REPORTS).map(([k, [name]]) => h("option", { value: k }, name)));
  const why = h("span", { role: "status", class: "why" });
  const make = h("button", { type: "submit" }, "Make a report");
  const run = async (e) => {
    e.preventDefault();
    make.disabled = true;
    text(why, "The report is being made …");
    try {
      const end = Math.min(Date.parse(to.value) + 86400000, Date.now());
      const [, name, ending] = REPORTS[kind.value];
      await save("/api/report", { from: Date.parse(from.value) / 1000, to: Math.floor(end / 1000), kind: kind.value }, `${name}-${from.value}-to-${to.value}.${ending}`);
      text(why, "The report is in the downloads of this device.");
    } catch (x) {
      text(why, x.message);
      if (x.status === 401) askLogin(x.message);
    }
    make.disabled = false;
  };
  return h("form", { class: "filter", onsubmit: run }, h("label", { for: "report-from" }, "Report from (UTC)"), from,
    h("label", { for: "report-to" }, "to the end of"), to,
    h("label", { for: "report-kind" }, "as"), kind, make, why);
}

async function more(state, query) {
  const mine = ++asked;
  try {
    const got = await get("/api/events", { ...query, limit: 100, before: state.next });
    if (mine !== asked) return;
    state.rows.push(...got.events);
    state.next = got.older;
    state.older.hidden = got.older === null;
    draw(state);
  } catch (e) {
    if (mine === asked) text(state.status, e.message);
  }
}

function draw(state) {
  state.body.replaceChildren(...state.rows.map(row));
  text(state.status, state.rows.length ? `${state.rows.length} shown` : "Nothing to show.");
}

function row(e) {
  const name = (engines.find((x) => x.slug === e.engine) || {}).name || e.engine || "gateway";
  return h("tr", { "data-kind": e.kind, "data-seq": e.seq },
    h("td", {}, stamp(Date.parse(e.ts)), e.hours === null ? null : h("span", { class: "words" }, ` ${number(e.hours, 0)} h`)),
    h("td", {}, name), h("td", {}, e.title), h("td", {}, e.details, photosOf(named(e), stamp(Date.parse(e.ts)))));
}

// The names of a note's photos.
const named = (e) => (e.after && e.after.photos ? String(e.after.photos).split(" ") : []);

// A figure's key ends in its unit: spring_mm 182.8 is "spring 182.80 mm".
const UNITS = { _n_per_mm: " N/mm", _mm: " mm", _m: " m", _deg: "°", _percent: " %", _bar: " bar", _kw: " kW", _rpm: " rpm", _c: " °C", _h: " h" };
function worded(key, value) {
  if (key.endsWith("_utc")) return `${key.slice(0, -4)} at ${stamp(Date.parse(value))} UTC`;
  const end = Object.keys(UNITS).find((x) => key.endsWith(x)) || "";
  const shown = [value].flat().map((v) => (typeof v === "number" ? number(v, 2) : v)).join(" ");
  return `${key.slice(0, key.length - end.length).replaceAll("_", " ")} ${shown}${UNITS[end] || ""}`;
}

// What can be booked from here; the rest by `camdrift book`. Figures left empty are taken from the readings.
const BOOK = {
  retightened: ["Retightened", ["free_length_mm!", "spring_before_mm", "spring_after_mm", "lost_motion_deg"]],
  "camshaft-set": ["Camshaft set", ["gauge_mm", "lag_before_deg", "raw_deg", "lost_motion_deg"]],
  "pumps-compensated": ["Compensated at the pumps", ["after_deg![]"]],
  "chain-renewed": ["Chain renewed", ["spring_after_mm", "lag_after_deg"]],
  "links-renewed": ["Links renewed", ["renewed!#", "spring_after_mm", "lag_after_deg"]],
  "spring-renewed": ["Spring renewed", ["free_length_mm!", "rate_n_per_mm", "spring_after_mm"]],
  "links-measured": ["Links measured", ["links!#", "length_mm!"]],
  "hand-play": ["Hand play", ["play_links", "play_mm"]],
  loading: ["Loading condition from now on", ["condition$", "draught_m"]],
  note: ["Note only", []],
};
const FIELD = {
  free_length_mm: "Free length measured, mm", spring_before_mm: "Spring before, mm", spring_after_mm: "Spring after, mm",
  gauge_mm: "Pin gauge, mm (late is +)", lag_before_deg: "Lag before, °", raw_deg: "Crank less cam, ° (from the encoders)",
  lost_motion_deg: "Lost motion by a turn each way, °",
  after_deg: "Advance at each pump, °, with spaces", lag_after_deg: "Lag after, °", renewed: "Links renewed",
  rate_n_per_mm: "Spring rate, N/mm", links: "Links measured", length_mm: "Length over them, mm",
  condition: "Condition", draught_m: "Mean draught, m", play_links: "Play, links", play_mm: "Play, mm",
};

const CHOICES = { condition: ["laden", "ballast"] };

function bookForm(refresh) {
  const kind = h("select", { id: "book-kind" }, Object.entries(BOOK).map(([k, [name]]) => h("option", { value: k }, name)));
  const engine = h("select", { id: "book-engine" }, engines.map((e) => h("option", { value: e.slug }, e.name)));
  const person = h("input", { id: "book-person", maxlength: 64, autocomplete: "off" });
  const note = h("input", { id: "book-note", maxlength: 500, autocomplete: "off" });
  const fields = h("div", { class: "fields" });
  const why = h("p", { class: "why", role: "status" });
  const book = h("button", { type: "submit", disabled: true }, "Book it");
  const choice = (name) => h("select", { id: `book-${name}`, "data-name": name, onchange: () => { book.disabled = true; } },
    h("option", { value: "" }, ""), CHOICES[name].map((c) => h("option", { value: c }, c)));
  const lay = () => {
    book.disabled = true;
    fields.replaceChildren(...BOOK[kind.value][1].map((f) => {
      const name = f.replace(/[^a-z_]/g, "");
      return h("p", {}, h("label", { for: `book-${name}` }, FIELD[name] + (f.includes("!") ? "" : " (may be empty)")),
        f.includes("$") ? choice(name) : h("input", { id: `book-${name}`, "data-name": name, "data-form": f, inputmode: "decimal", autocomplete: "off", maxlength: 200, oninput: () => { book.disabled = true; } }));
    }));
  };
  const entry = () => {
    const found = { kind: kind.value, note: note.value };
    if (person.value) found.person = person.value;
    for (const select of fields.querySelectorAll("select")) if (select.value) found[select.dataset.name] = select.value;
    for (const input of fields.querySelectorAll("input")) {
      if (!input.value.trim()) continue;
      const all = input.value.trim().replaceAll(",", ".").split(/\s+/).map(Number);
      if (all.some((n) => !Number.isFinite(n))) throw new Error(`${FIELD[input.dataset.name]}: not a number`);
      found[input.dataset.name] = input.dataset.form.includes("[]") ? all : all[0];
    }
    return found;
  };
  const send = async (dry) => {
    try {
      const done = await post("/api/book", { engine: engine.value, entry: entry(), dry });
      const e = done.answer.entry;
      const figures = Object.entries(e).filter(([k, v]) => typeof v === "number" && k !== "utc_s").map(([k, v]) => worded(k, v)).join(", ");
      const what = [e.condition, figures].filter(Boolean).join(", ");
      text(why, dry ? `Will be booked: ${what}. Nothing is booked yet.` : `Booked as ${e.id}.`);
      book.disabled = !dry;
      if (!dry) refresh();
    } catch (e) {
      text(why, e.message);
      book.disabled = true;
      if (e.status === 401) askLogin(e.message);
    }
  };
  kind.addEventListener("change", lay);
  lay();
  if (!engines.length) return null;
  return h("details", { class: "book" }, h("summary", {}, "Book what was done at the drive"),
    h("form", { onsubmit: (e) => { e.preventDefault(); send(false); } },
      h("p", {}, h("label", { for: "book-kind" }, "Work"), kind), engines.length > 1 ? h("p", {}, h("label", { for: "book-engine" }, "Engine"), engine) : null,
      h("p", {}, h("label", { for: "book-person" }, "Done by (empty: whoever is logged in)"), person), fields,
      h("p", {}, h("label", { for: "book-note" }, "Note"), note), why,
      h("p", { class: "row" }, h("button", { type: "button", onclick: () => send(true) }, "Check"), book)));
}
