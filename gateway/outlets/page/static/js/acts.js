// What is done at an alarm. Where nobody is logged in, the log-in comes first and the act follows it.
import { text } from "./dom.js";
import { post } from "./api.js";
import { askLogin } from "./login.js";

export async function act(alarm, what, body, why) {
  try {
    await post(`/api/alarm/${alarm.tag}/${what}`, { engine: alarm.engine || null, ...body() });
    text(why, "Done; the gateway will show it.");
  } catch (e) {
    text(why, e.message);
    if (e.status === 401) askLogin(e.message, () => act(alarm, what, body, why));
  }
}

export const acknowledge = (alarm, why) => act(alarm, "acknowledge", () => ({}), why);
