// The way to the rig: one socket, looked for again when it is lost, and the time of the run as this page reckons it.

import { Posts } from "/posts.js";

export const VERSION = 4;

const AGAIN_FIRST_MS = 250;
const AGAIN_MOST_MS = 4000;
const PING_EVERY_MS = 1000;
const SILENT_MS = 3000;

export class Link {
  // `on` holds what to call: open(), lost(), told(message), speech(samples).
  constructor(on) {
    this.on = on;
    this.socket = null;
    this.again = AGAIN_FIRST_MS;
    this.wanted = false;
    this.up = false;
    this.time = new RunTime();
    this.newest = 0;
    // How often in a row a socket was refused; after two the other way is taken.
    this.refused = 0;
    this.looking = setInterval(() => this.look(), PING_EVERY_MS);
  }

  open(hello) {
    this.hello = hello;
    this.wanted = true;
    this.connect();
  }

  // For good: nothing more is told of it.
  shut() {
    this.wanted = this.up = false;
    clearInterval(this.looking);
    const socket = this.socket;
    this.socket = null;
    if (!socket) return;
    socket.onclose = socket.onmessage = null;
    socket.close();
  }

  connect() {
    if (!this.wanted || this.socket) return;
    const by_requests = this.refused >= 2;
    const socket = by_requests ? new Posts() : new WebSocket(`wss:` + `//${location.host}/socket`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    document.documentElement.dataset.way = by_requests ? "requests" : "socket";
    this.newest = performance.now();
    let opened = false;
    socket.onopen = () => {
      opened = true;
      socket.send(JSON.stringify({ kind: "hello", version: VERSION, ...this.hello }));
    };
    socket.onmessage = (message) => {
      this.newest = performance.now();
      if (typeof message.data === "string") this.take(JSON.parse(message.data));
      else this.on.speech(message.data);
    };
    socket.onclose = () => {
      // Where neither way opens the rig is away, and both are tried in turn.
      this.refused = opened ? (by_requests ? 2 : 0) : (this.refused + 1) % 4;
      this.lose(socket);
    };
  }

  lose(socket) {
    if (this.socket !== socket) return;
    this.socket = null;
    if (this.up) {
      this.up = false;
      this.on.lost();
    }
    if (!this.wanted) return;
    setTimeout(() => this.connect(), this.again);
    this.again = Math.min(this.again * 2, AGAIN_MOST_MS);
  }

  take(told) {
    if (told.kind === "pong") return this.time.told(told.at, told.now);
    if (told.kind === "welcome") {
      this.up = true;
      this.time.beginAnew();
      this.again = AGAIN_FIRST_MS;
      this.ping();
      this.on.open();
    }
    // It closes, and is looked for again.
    if (told.kind === "refused" && told.why === "busy") return;
    if (told.kind === "superseded" || told.kind === "refused" || told.kind === "over") this.wanted = false;
    this.on.told(told);
  }

  look() {
    const socket = this.socket;
    if (!socket) return this.connect();
    // A link that fell silent is not always closed by the system, and whoever is gone does not say goodbye.
    if (performance.now() - this.newest > SILENT_MS) {
      this.lose(socket);
      return socket.close();
    }
    this.ping();
  }

  ping() {
    this.say({ kind: "ping", at: performance.now() });
  }

  say(message) {
    if (this.up && this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  sound(bytes) {
    if (!this.up || this.socket?.readyState !== WebSocket.OPEN) return;
    // What waits for longer than this is too old to be heard.
    if (this.socket.bufferedAmount > 64 * 1024) return;
    this.socket.send(bytes);
  }
}

// Milliseconds since the run began. The answer that came back soonest tells best; the wall clock counts on where the page's own clock stood still.
export class RunTime {
  constructor() {
    this.answers = [];
    this.old = false;
  }

  // The time of a program that was begun anew is another one. Until it has told it the old one counts: clocks go on ringing meanwhile.
  beginAnew() {
    this.old = true;
  }

  told(asked, now) {
    const back = performance.now();
    if (this.old) this.answers = [];
    this.old = false;
    this.answers.push({ trip: back - asked, offset: now + (back - asked) / 2 - back, page: back, wall: Date.now() });
    if (this.answers.length > 10) this.answers.shift();
  }

  now() {
    if (!this.answers.length) return null;
    const best = this.answers.reduce((a, b) => (b.trip < a.trip ? b : a));
    const page = performance.now();
    const slept = Date.now() - best.wall - (page - best.page);
    return page + best.offset + (slept > 1000 ? slept : 0);
  }
}
