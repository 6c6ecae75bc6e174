// Logging in and out; a log-in ends by itself when nothing is done for long.
import { byId, text } from "./dom.js";
import { logIn, logOut, look, onSession, session } from "./api.js";

let wanted = null;

// `then`: the act that wants a log-in; it is done once somebody has logged in.
export function askLogin(why = "", then = null) {
  const box = byId("login");
  wanted = then;
  text(byId("login-notice"), session.users ? session.notice : "Nobody may act from this page: the settings name no users. `camdrift page-password` makes one.");
  text(byId("login-why"), why);
  if (!box.open) box.showModal();
  byId("login-name").focus();
}

export function setUp() {
  const button = byId("login-button");
  button.addEventListener("click", async () => {
    if (!session.user) return askLogin();
    try { await logOut(); } catch (e) { askLogin(e.message); }
  });
  const box = byId("login");
  byId("login-cancel").addEventListener("click", () => box.close());
  // Closed without a log-in: nothing is done later by somebody else.
  box.addEventListener("close", () => { if (!session.user) wanted = null; });
  byId("login-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const password = byId("login-password");
    try {
      await logIn(byId("login-name").value, password.value);
      const then = wanted;
      wanted = null;
      box.close();
      if (then) then();
    } catch (problem) {
      text(byId("login-why"), problem.message);
    } finally {
      password.value = "";
    }
  });
  onSession((now) => text(button, now.user ? `Log out ${now.user}` : "Log in"));
  setInterval(() => { if (session.user) look().catch(() => {}); }, 30000);
}
