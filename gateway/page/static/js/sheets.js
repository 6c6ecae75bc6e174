// Work sheets as the gateway gives them: cautions first, then steps and who confirms, figures live where they can be.
import { h, lay, number, text } from "./dom.js";
import { get } from "./api.js";

let timer = 0;
let asked = 0;
let present = null;
let name = "";
let engine = "";
let typed = {};

export function leave() {
  clearTimeout(timer);
  asked++;
}

export function update(_root, body) {
  present = body;
}

export async function show(root, body) {
  present = body;
  leave();
  const mine = asked;
  const list = h("ul", { class: "sheet-list" });
  const sheet = h("section", { class: "sheet" });
  const said = h("p", { text: "Asking…" });
  root.replaceChildren(h("h2", {}, "Work sheets"), said, list, sheet);
  try {
    const { sheets } = await get("/api/sheet");
    if (mine !== asked) return;
    text(said, sheets.length ? "A sheet helps to keep figures and order; the manual and the permit to work decide." : "This gateway has no work sheets on the page yet.");
    list.replaceChildren(...sheets.map((x) => h("li", {}, h("button", { type: "button", onclick: () => choose(sheet, x.name) }, x.title))));
  } catch (e) {
    text(said, e.message);
  }
}

function choose(sheet, wanted) {
  name = wanted;
  typed = {};
  engine = engine || (present && present.engines[0] && present.engines[0].slug) || "";
  sheet.replaceChildren();
  sheet.made = null;
  ask(sheet);
}

async function ask(sheet) {
  clearTimeout(timer);
  const mine = ++asked;
  try {
    const body = await get(`/api/sheet/${name}`, { ...typed, engine });
    if (mine !== asked) return;
    draw(sheet, body);
    if (body.live) timer = setTimeout(() => ask(sheet), 1000);
  } catch (e) {
    if (mine !== asked) return;
    if (sheet.made) text(sheet.made.why, e.message);
    else sheet.replaceChildren(h("p", { class: "why", role: "alert" }, e.message));
    timer = setTimeout(() => ask(sheet), 3000);
  }
}

// Made once and then only changed, so that what is typed and where the finger is stay as they are.
function draw(sheet, body) {
  if (!sheet.made || sheet.made.name !== name) make(sheet, body);
  text(sheet.made.why, "");
  const figures = body.figures.map((f) => h("div", {}, h("dt", { title: f.help || null }, f.name),
    h("dd", {}, `${typeof f.value === "number" ? number(f.value, 2) : f.value ?? "not known"} ${f.unit || ""}`),
    f.help ? h("dd", { class: "meaning" }, f.help) : null));
  sheet.made.figures.replaceChildren(...figures);
  sheet.made.steps.replaceChildren(...body.steps.map((step) => h("li", {}, h("p", {}, step.text),
    step.who || step.confirm ? h("p", { class: "words" }, [step.who, step.confirm].filter(Boolean).join(": ")) : null)));
}

function make(sheet, body) {
  const why = h("p", { class: "why", role: "status" });
  const figures = h("dl", { class: "figures" });
  const steps = h("ol", {});
  const engines = present && present.engines.length > 1
    ? h("p", {}, h("label", {}, "Engine ", h("select", { onchange: (e) => { engine = e.target.value; ask(sheet); } },
      present.engines.map((e) => h("option", { value: e.slug, selected: e.slug === engine }, e.name))))) : null;
  const inputs = (body.inputs || []).map((i) => h("p", {}, h("label", {}, `${i.label}${i.unit ? `, ${i.unit}` : ""} `,
    h("input", { value: i.value, maxlength: 200, inputmode: "decimal", oninput: (e) => { typed[i.name] = e.target.value; clearTimeout(timer); timer = setTimeout(() => ask(sheet), 400); } })),
    i.help ? h("span", { class: "words" }, ` ${i.help}`) : null));
  sheet.made = { name, why, figures, steps };
  lay(sheet, h("h3", {}, body.title),
    h("div", { class: "cautions" }, h("ul", {}, body.cautions.map((c) => h("li", {}, c)))),
    engines, ...inputs, why, figures, steps, h("p", {}, h("button", { type: "button", onclick: () => print() }, "Print")));
}
