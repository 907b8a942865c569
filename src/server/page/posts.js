// For a browser that opens no socket to the rig: requests up, one streamed response down, with the same messages. Looks like a socket to the link.

const HEAD = 5;

export class Posts {
  constructor() {
    this.readyState = WebSocket.CONNECTING;
    this.waiting = [];
    this.line = null;
    this.sending = false;
    this.stop = new AbortController();
    this.begin().catch(() => this.end());
  }

  get bufferedAmount() {
    return this.waiting.reduce((sum, piece) => sum + piece.length, 0);
  }

  async begin() {
    const answer = await fetch("/line", { method: "POST", signal: this.stop.signal });
    if (!answer.ok) return this.end();
    this.line = answer.headers.get("line");
    this.readyState = WebSocket.OPEN;
    this.onopen?.();
    const reader = answer.body.getReader();
    let held = new Uint8Array(0);
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return this.end();
      const all = new Uint8Array(held.length + value.length);
      all.set(held);
      all.set(value, held.length);
      held = this.take(all);
    }
  }

  // Hands on every whole message; gives what is left.
  take(bytes) {
    let at = 0;
    while (bytes.length - at >= HEAD) {
      const length = new DataView(bytes.buffer, bytes.byteOffset + at).getUint32(0, true);
      if (bytes.length - at < HEAD + length) break;
      const message = bytes.slice(at + HEAD, at + HEAD + length);
      this.onmessage?.({ data: bytes[at + 4] === 0 ? new TextDecoder().decode(message) : message.buffer });
      at += HEAD + length;
    }
    return bytes.slice(at);
  }

  send(data) {
    const text = typeof data === "string";
    const message = text ? new TextEncoder().encode(data) : new Uint8Array(data);
    const piece = new Uint8Array(HEAD + message.length);
    new DataView(piece.buffer).setUint32(0, message.length, true);
    piece[4] = text ? 0 : 1;
    piece.set(message, HEAD);
    this.waiting.push(piece);
    if (!this.sending) this.pass_on().catch(() => this.end());
  }

  // One request at a time, so that nothing overtakes; what comes meanwhile goes with the next.
  async pass_on() {
    this.sending = true;
    while (this.waiting.length && this.readyState === WebSocket.OPEN) {
      const body = new Blob(this.waiting.splice(0, 40));
      const answer = await fetch(`/line/${this.line}`, { method: "POST", body, signal: this.stop.signal });
      if (!answer.ok) this.end();
    }
    this.sending = false;
  }

  close() {
    this.stop.abort();
    this.end();
  }

  end() {
    if (this.readyState === WebSocket.CLOSED) return;
    this.readyState = WebSocket.CLOSED;
    this.onclose?.();
  }
}
