// Logging in and out; a log-in ends by itself when nothing is done for long.
import { byId, text } from "./dom.js";
import { logIn, logOut, look, onSession, session } from "./api.js";

export function askLogin(why = "") {
  const box = byId("login");
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
  byId("login-cancel").addEventListener("click", () => byId("login").close());
  byId("login-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const password = byId("login-password");
    try {
      await logIn(byId("login-name").value, password.value);
      byId("login").close();
    } catch (problem) {
      text(byId("login-why"), problem.message);
    } finally {
      password.value = "";
    }
  });
  onSession((now) => text(button, now.user ? `Log out ${now.user}` : "Log in"));
  setInterval(() => { if (session.user) look().catch(() => {}); }, 30000);
}
