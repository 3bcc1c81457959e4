// MQTT 3.1.1 over a WebSocket, as much of it as a display needs.
//
//   const client = new MqttClient("ws://127.0.0.1:9001/mqtt", { clientId: "my-display" });
//   client.onMessage = (topic, payload) => console.log(topic, payload);   // payload: Uint8Array
//   client.subscribe("tipdatum/my-machine/#");
//   client.start();
//
// It connects, keeps the connection alive, and connects again with the same subscriptions when it is
// lost. QoS 0 and 1 are there; QoS 2 is not. Source: OASIS, MQTT Version 3.1.1 (packet layouts in its
// chapters 2 and 3).

const CONNECT = 1, CONNACK = 2, PUBLISH = 3, PUBACK = 4, SUBSCRIBE = 8, SUBACK = 9;
const PINGREQ = 12, PINGRESP = 13, DISCONNECT = 14;

const REFUSED = {
  1: "protocol version", 2: "client id", 3: "server unavailable", 4: "bad user or password", 5: "not authorised",
};
const MAX_PACKET = 4 << 20; // a display expects nothing near 4 MiB: beyond it the stream is not MQTT
const CONNECT_WAIT_MS = 5000;

const utf8 = new TextEncoder();

// --- packets -----------------------------------------------------------------------------------------

function withLength(bytes) {
  return [bytes.length >> 8, bytes.length & 255, ...bytes];
}

function text(string) {
  return withLength(utf8.encode(string));
}

/** One packet: type and flags, the remaining length in 7-bit groups (low group first), the body. */
export function packet(type, flags, body) {
  const head = [(type << 4) | flags];
  let rest = body.length;
  do {
    const group = rest % 128;
    rest = Math.floor(rest / 128);
    head.push(rest > 0 ? group | 128 : group);
  } while (rest > 0);
  const bytes = new Uint8Array(head.length + body.length);
  bytes.set(head);
  bytes.set(body, head.length);
  return bytes;
}

/** Cuts a stream of bytes into packets; WebSocket frames and MQTT packets need not coincide. */
export class PacketReader {
  #rest = new Uint8Array(0);

  /** Returns the packets now complete: `{type, flags, body}`. Throws where the stream is not MQTT. */
  feed(chunk) {
    let data = chunk;
    if (this.#rest.length) {
      data = new Uint8Array(this.#rest.length + chunk.length);
      data.set(this.#rest);
      data.set(chunk, this.#rest.length);
    }
    const packets = [];
    let at = 0;
    for (;;) {
      let length = 0, scale = 1, i = at + 1, more = true;
      while (more && i < data.length) {
        if (i > at + 4) throw new Error("malformed remaining length");
        more = (data[i] & 128) !== 0;
        length += (data[i++] & 127) * scale;
        scale *= 128;
      }
      if (length > MAX_PACKET) throw new Error(`packet of ${length} bytes`);
      if (more || i + length > data.length) break;
      packets.push({ type: data[at] >> 4, flags: data[at] & 15, body: data.subarray(i, i + length) });
      at = i + length;
    }
    this.#rest = data.slice(at);
    return packets;
  }
}

// --- client ------------------------------------------------------------------------------------------

export class MqttClient {
  /** Called with `(topic, payload: Uint8Array, {qos, retain})` for every message. */
  onMessage = () => {};
  /**
   * Called with `("connecting" | "connected" | "lost" | "refused", reason)` on every change. "refused" is
   * final: `start` again with other options.
   */
  onState = () => {};

  #url; #options; #socket = null; #reader = null; #connected = false; #running = false;
  #filters = new Map(); #waiting = new Map(); #nextId = 1;
  #heard = 0; #pinged = 0; #timer = null; #retry = null; #delay = 0;

  /**
   * Options: `clientId`, `username`, `password`, `will: {topic, payload, qos, retain}`, `keepAlive` in
   * seconds (a silent broker is given up after one and a half of it), `clean` (default true).
   */
  constructor(url, options = {}) {
    this.#url = url;
    this.#options = { keepAlive: 4, clean: true, ...options };
    this.#options.clientId ??= "display-" + Math.random().toString(36).slice(2, 10);
  }

  get connected() {
    return this.#connected;
  }

  start() {
    this.#running = true;
    this.#delay = 250;
    this.#open();
  }

  stop() {
    this.#running = false;
    clearTimeout(this.#retry);
    if (this.#connected) this.#send(packet(DISCONNECT, 0, []));
    this.#drop("stopped");
  }

  /** Subscribes now and after every reconnect. */
  subscribe(filter, qos = 0) {
    this.#filters.set(filter, qos);
    if (this.#connected) this.#sendSubscribe([[filter, qos]]);
  }

  /**
   * Publishes a string or bytes. The promise is fulfilled when the broker has it (QoS 1) or it is written
   * (QoS 0), and rejected when the connection is lost before that. Nothing is kept to be sent later: a
   * command that arrives after the arm has moved on is worse than one that has to be given again.
   */
  publish(topic, payload, { qos = 0, retain = false } = {}) {
    if (!this.#connected) return Promise.reject(new Error("not connected"));
    const bytes = typeof payload === "string" ? utf8.encode(payload) : payload;
    const id = qos ? this.#takeId() : 0;
    const head = text(topic).concat(qos ? [id >> 8, id & 255] : []);
    const body = new Uint8Array(head.length + bytes.length);
    body.set(head);
    body.set(bytes, head.length);
    this.#send(packet(PUBLISH, (qos << 1) | (retain ? 1 : 0), body));
    if (!qos) return Promise.resolve();
    return new Promise((resolve, reject) => this.#waiting.set(id, { resolve, reject }));
  }

  #open() {
    this.onState("connecting", "");
    let socket;
    try {
      socket = new WebSocket(this.#url, ["mqtt"]);
    } catch (error) { // an address that is none, or one that the page's security policy forbids
      this.#running = false;
      this.onState("refused", error.message);
      return;
    }
    this.#socket = socket;
    this.#reader = new PacketReader();
    socket.binaryType = "arraybuffer";
    let opened = false;
    socket.onopen = () => {
      opened = true;
      this.#send(this.#connectPacket());
    };
    socket.onmessage = (event) => socket === this.#socket && this.#receive(new Uint8Array(event.data));
    socket.onclose = () => {
      if (socket !== this.#socket) return;
      // Some brokers close on a wrong password without a word.
      this.#drop(opened && !this.#connected ? "turned away" : "connection closed");
    };
    this.#heard = performance.now();
    this.#pinged = 0;
    this.#timer = setInterval(() => this.#watch(), 250);
  }

  #connectPacket() {
    const { clientId, username, password, will, keepAlive, clean } = this.#options;
    let flags = clean ? 2 : 0;
    const payload = text(clientId);
    if (will) {
      flags |= 4 | ((will.qos ?? 0) << 3) | (will.retain ? 32 : 0);
      payload.push(...text(will.topic), ...text(will.payload ?? ""));
    }
    if (username !== undefined) {
      flags |= 128;
      payload.push(...text(username));
      if (password !== undefined) {
        flags |= 64;
        payload.push(...text(password));
      }
    }
    const level = 4; // 3.1.1
    return packet(CONNECT, 0, [...text("MQTT"), level, flags, keepAlive >> 8, keepAlive & 255, ...payload]);
  }

  #receive(bytes) {
    this.#heard = performance.now();
    let packets;
    try {
      packets = this.#reader.feed(bytes);
    } catch (error) {
      this.#drop(error.message);
      return;
    }
    for (const { type, flags, body } of packets) {
      if (type === PUBLISH) this.#takeMessage(flags, body);
      else if (type === PUBACK) this.#settle((body[0] << 8) | body[1]);
      else if (type === CONNACK) this.#takeConnack(body[1]);
      else if (type === SUBACK && body.subarray(2).includes(128)) this.onState("connected", "subscription refused");
      else if (type === PINGRESP) this.#pinged = 0;
    }
  }

  #takeConnack(code) {
    if (code !== 0) {
      this.#running = false; // asking again with the same credentials gives the same answer
      this.#drop(REFUSED[code] ?? `code ${code}`, "refused");
      return;
    }
    this.#connected = true;
    this.#delay = 250;
    if (this.#filters.size) this.#sendSubscribe([...this.#filters]);
    this.onState("connected", "");
  }

  #takeMessage(flags, body) {
    const qos = (flags >> 1) & 3;
    const length = (body[0] << 8) | body[1];
    const topic = new TextDecoder().decode(body.subarray(2, 2 + length));
    let at = 2 + length;
    if (qos) {
      this.#send(packet(PUBACK, 0, [body[at], body[at + 1]]));
      at += 2;
    }
    this.onMessage(topic, body.subarray(at), { qos, retain: (flags & 1) === 1 });
  }

  #sendSubscribe(filters) {
    const id = this.#takeId();
    const wanted = filters.flatMap(([filter, qos]) => [...text(filter), qos]);
    this.#send(packet(SUBSCRIBE, 2, [id >> 8, id & 255, ...wanted]));
  }

  #takeId() {
    const id = this.#nextId;
    this.#nextId = id === 65535 ? 1 : id + 1;
    return id;
  }

  #settle(id) {
    this.#waiting.get(id)?.resolve();
    this.#waiting.delete(id);
  }

  #send(bytes) {
    if (this.#socket?.readyState === WebSocket.OPEN) this.#socket.send(bytes);
  }

  /** A cut cable closes no socket: ask for a sign of life, and give the connection up without one. */
  #watch() {
    const now = performance.now();
    const keepAlive = this.#options.keepAlive * 1000;
    const silent = now - this.#heard;
    if (!this.#connected) {
      if (silent > CONNECT_WAIT_MS) this.#drop("no answer");
    } else if (silent > 1.5 * keepAlive) {
      this.#drop("broker silent");
    } else if (now - this.#pinged > keepAlive / 2) {
      // sent whether or not messages come in: the broker counts what it hears, not what it says
      this.#send(packet(PINGREQ, 0, []));
      this.#pinged = now;
    }
  }

  #drop(reason, state = "lost") {
    clearInterval(this.#timer);
    const socket = this.#socket;
    this.#socket = null;
    this.#connected = false;
    socket?.close();
    for (const { reject } of this.#waiting.values()) reject(new Error("connection lost"));
    this.#waiting.clear();
    this.onState(state, reason);
    if (!this.#running) return;
    this.#retry = setTimeout(() => this.#open(), this.#delay);
    this.#delay = Math.min(2000, this.#delay * 2);
  }
}
