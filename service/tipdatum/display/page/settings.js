// What the page is told (settings.json, the address) and what somebody chose on this screen.

const CHOICES = "tipdatum.choices";

/**
 * `settings.json`, and in `asked` what the address asks for: ?units=…&language=…&light=…&view=… and ?role=display,
 * which only takes away. Never the broker: a
 * link could lead an operator, and a password, to somebody else's.
 */
export async function loadSettings() {
  const told = await fetch("settings.json").then((r) => (r.ok ? r.json() : {})).catch(() => ({}));
  const defaults = { websocket: "ws://{host}:9001/mqtt", machine_id: "", role: "display", topic_root: "tipdatum", units: "mm" };
  const settings = { ...defaults, ...told };
  settings.websocket = settings.websocket.replace("{host}", location.hostname);
  const query = new URLSearchParams(location.search);
  const wanted = ["units", "language", "light", "view"].filter((name) => query.has(name));
  settings.asked = Object.fromEntries(wanted.map((name) => [name, query.get(name)]));
  if (query.get("role") === "display") settings.role = "display";
  return settings;
}

/** Choices made on this screen: `{units, language, light, sound, view}`. Kept where the browser allows it. */
export function loadChoices() {
  try {
    return JSON.parse(localStorage.getItem(CHOICES) ?? "{}");
  } catch {
    return {};
  }
}

export function saveChoices(choices) {
  try {
    localStorage.setItem(CHOICES, JSON.stringify(choices));
  } catch {
    // a browser that keeps nothing still shows what was chosen until it is closed
  }
}
