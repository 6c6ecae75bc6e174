// Questions to the gateway, and the live stream. What was refused comes back as the gateway's own words.
export const session = { user: null, token: null, users: true, minutes: 15, notice: "", viewing: true };
const changed = new Set();
export const onSession = (call) => changed.add(call);

export class Refused extends Error {
  constructor(why, status) {
    super(why);
    this.status = status;
  }
}

async function answer(response) {
  const body = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refused(body.why || `the gateway answered ${response.status}`, response.status);
  return body;
}

export async function get(path, query = {}) {
  const asked = new URLSearchParams(Object.entries(query).filter(([, v]) => v !== null && v !== undefined && v !== ""));
  const tail = asked.size ? `?${asked}` : "";
  return answer(await reach(path + tail, {}));
}

// A file from the gateway, handed to the browser under a name.
export async function save(path, query, name) {
  const response = await reach(`${path}?${new URLSearchParams(query)}`, {});
  if (!response.ok) await answer(response);
  saveBlob(await response.blob(), name);
}

export function saveBlob(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

export const post = (path, body = {}) => send(path, "application/json", JSON.stringify(body));
export const postBytes = (path, blob) => send(path, blob.type, blob);

async function send(path, type, body) {
  const headers = { "Content-Type": type };
  if (session.token) headers["X-Camdrift-Token"] = session.token;
  try {
    return await answer(await reach(path, { method: "POST", headers, body }));
  } catch (e) {
    if (e.status === 401) await look();
    throw e;
  }
}

async function reach(path, options) {
  try {
    return await fetch(path, { ...options, credentials: "same-origin" });
  } catch {
    throw new Refused("The gateway does not answer; nothing was done.", 0);
  }
}

function take(body) {
  const before = session.user;
  Object.assign(session, body, { viewing: body.view_without_login || body.user !== null });
  for (const call of changed) call(session, before !== session.user);
}

export const look = async () => take(await get("/api/session"));
export const logIn = async (name, password) => take(await post("/api/login", { name, password }));
export const logOut = async () => take(await post("/api/logout"));

const HIDDEN_MS = 300000;

// One stream for the whole page. `received` gets each second's present; `lost` the reason why none comes.
export function follow(received, lost) {
  let source = null;
  let again = 0;
  const open = () => {
    source = new EventSource("/api/stream");
    source.addEventListener("present", (e) => received(JSON.parse(e.data)));
    source.addEventListener("closed", () => retry());
    source.onerror = () => {
      if (source.readyState === EventSource.CLOSED) retry();
      else lost("");
    };
  };
  const retry = async () => {
    source.close();
    clearTimeout(again);
    again = setTimeout(open, 3000);
    try {
      received(await get("/api/present"));
      lost("No live figures just now; the page asks again.");
    } catch (e) {
      lost(e.status ? e.message : "");
      if (e.status === 401) look().catch(() => {});
    }
  };
  const close = () => {
    clearTimeout(again);
    source.close();
  };
  const reopen = () => {
    close();
    open();
  };
  open();
  // A browser gives one gateway six connections in all: a page that nobody sees must not keep one of them.
  let resting = 0;
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", (e) => { if (e.persisted) reopen(); });
  document.addEventListener("visibilitychange", () => {
    clearTimeout(resting);
    if (document.hidden) resting = setTimeout(close, HIDDEN_MS);
    else if (source.readyState === EventSource.CLOSED) reopen();
  });
  return reopen;
}
