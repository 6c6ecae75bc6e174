// Small tools to make and change elements. No markup is ever made from text.
const SVG = "http://www.w3.org/2000/svg";

function fill(el, attrs, children) {
  for (const [key, value] of Object.entries(attrs || {})) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) el.addEventListener(key.slice(2), value);
    else if (key === "text") el.textContent = value;
    else el.setAttribute(key, value === true ? "" : String(value));
  }
  for (const child of children.flat()) if (child !== null && child !== undefined) el.append(child);
  return el;
}

export const h = (tag, attrs, ...children) => fill(document.createElement(tag), attrs, children);
export const s = (tag, attrs, ...children) => fill(document.createElementNS(SVG, tag), attrs, children);
// A place with these children and no others; what is not there is left out.
export const lay = (el, ...children) => el.replaceChildren(...children.flat().filter((c) => c !== null && c !== undefined));
export const byId = (id) => document.getElementById(id);

// Only what has changed is touched: a screen reader and a pressed button are not disturbed each second.
export function text(el, value) {
  if (el.textContent !== value) el.textContent = value;
}

export function attr(el, name, value) {
  const wanted = String(value);
  if (el.getAttribute(name) !== wanted) el.setAttribute(name, wanted);
}

export function number(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  return value.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits });
}

const pad = (n) => String(n).padStart(2, "0");
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

export function time(ms) {
  const d = new Date(ms);
  return `${pad(d.getUTCHours())}:${pad(d.getUTCMinutes())}:${pad(d.getUTCSeconds())}`;
}

export function day(ms) {
  const d = new Date(ms);
  return `${d.getUTCDate()} ${MONTHS[d.getUTCMonth()]} ${d.getUTCFullYear()}`;
}

export const stamp = (ms) => `${day(ms)} ${time(ms).slice(0, 5)}`;

// Sizes within a chart grow with the page's own letters.
export const rem = (count) => Math.round(count * parseFloat(getComputedStyle(document.documentElement).fontSize));

// A length of time in its two largest units.
export function period(ms) {
  const min = Math.max(0, Math.floor(ms / 60000));
  if (min < 1) return "less than 1 min";
  if (min < 60) return `${min} min`;
  if (min < 2880) return `${Math.floor(min / 60)} h ${min % 60} min`;
  return `${Math.floor(min / 1440)} d ${Math.floor((min % 1440) / 60)} h`;
}
