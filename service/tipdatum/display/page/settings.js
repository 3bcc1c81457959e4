// What the page is told (settings.json, the address) and what somebody chose on this screen.

const CHOICES = "tipdatum.choices";

/** `settings.json`, with what the address overrides: ?ws=…&machine=…&role=…&units=…&language=…&light=… */
export async function loadSettings() {
  const told = await fetch("settings.json").then((r) => (r.ok ? r.json() : {})).catch(() => ({}));
  const query = new URLSearchParams(location.search);
  const names = { ws: "websocket", machine: "machine_id", role: "role", units: "units", language: "language", light: "light" };
  for (const [short, name] of Object.entries(names)) if (query.has(short)) told[name] = query.get(short);
  const defaults = { websocket: "ws://{host}:9001/mqtt", machine_id: "", role: "display", topic_root: "tipdatum", units: "mm" };
  const settings = { ...defaults, ...told };
  settings.websocket = settings.websocket.replace("{host}", location.hostname);
  return settings;
}

/** Choices made on this screen: `{units, language, light}`. Kept where the browser allows it. */
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
