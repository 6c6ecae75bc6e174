// Photos of notes: made small here, kept by the gateway, shown when a button is pressed.
import { h, text } from "./dom.js";
import { Refused, postBytes, session } from "./api.js";
import { askLogin } from "./login.js";

export const PHOTOS_MAX = 4;
const BYTES_MAX = 600000;

// Drawn again as JPEG: what the camera wrote beside the picture (place, device) stays behind.
async function small(file) {
  let image;
  try {
    image = await createImageBitmap(file);
  } catch {
    throw new Refused(`${file.name}: not a photo that this browser can read. Choose a JPEG or PNG file.`, 0);
  }
  for (const side of [1600, 1200, 800]) {
    const scale = Math.min(1, side / Math.max(image.width, image.height));
    const canvas = h("canvas", { width: Math.max(1, Math.round(image.width * scale)), height: Math.max(1, Math.round(image.height * scale)) });
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((done) => { canvas.toBlob(done, "image/jpeg", 0.8); });
    if (blob && blob.size <= BYTES_MAX) return blob;
  }
  throw new Refused(`${file.name}: too large. Take the photo in a lower resolution.`, 0);
}

// The names under which the gateway keeps these files.
export async function keep(files) {
  if (files.length > PHOTOS_MAX) throw new Refused(`A note takes ${PHOTOS_MAX} photos. Choose fewer.`, 0);
  const names = [];
  for (const file of files) names.push((await postBytes("/api/photo", await small(file))).name);
  return names;
}

// A button for each photo, which shows it and hides it again.
export function photosOf(names, of) {
  return names.map((name, i) => {
    const title = `Photo ${i + 1} of the note of ${of}`;
    const place = h("span", { class: "photo", role: "status" });
    const button = h("button", { type: "button", "aria-expanded": "false", "aria-label": title, onclick: () => {
      if (!session.user) return askLogin("Log in to see photos.", () => button.click());
      const open = button.getAttribute("aria-expanded") === "true";
      button.setAttribute("aria-expanded", String(!open));
      place.replaceChildren(...(open ? [] : [h("img", { src: `/api/photo/${name}`, alt: title, onerror: () => text(place, "This photo is not available. Try again in a minute.") })]));
    } }, `Photo ${i + 1}`);
    return h("span", {}, " ", button, place);
  });
}
