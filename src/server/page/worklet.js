// Hears and plays in one callback: what the microphone gave and what was played in the same moments go to the rig in one message.

const RIG_RATE = 16000;
const VOICE_RATE = 48000;
const FRAME = 320;
const HEAD = 20;
const ZERO_CROSSINGS = 20;
const PHASES = 512;
const FADE = Math.round(0.015 * VOICE_RATE);
const BEGIN_WITH = Math.round(0.02 * VOICE_RATE);
const BEGIN_AFTER = Math.round(0.04 * VOICE_RATE);

// Windowed sinc at any ratio of two rates; the filter is tabled at so many places between two samples, and read between two of them in a line.
class Resampler {
  constructor(from, to) {
    this.step = from / to;
    const cut = Math.min(1, to / from) * 0.94;
    this.half = Math.ceil(ZERO_CROSSINGS / cut);
    this.table = new Float32Array((2 * this.half + 1) * (PHASES + 1));
    this.width = 2 * this.half;
    for (let phase = 0; phase <= PHASES; phase += 1) {
      let sum = 0;
      for (let tap = 0; tap < this.width; tap += 1) {
        const x = tap - this.half + 1 - phase / PHASES;
        const at = Math.PI * x * cut;
        const sinc = x === 0 ? 1 : Math.sin(at) / at;
        const place = x / this.half;
        const window = Math.abs(place) >= 1 ? 0 : kaiser(place);
        this.table[phase * this.width + tap] = sinc * window;
        sum += sinc * window;
      }
      for (let tap = 0; tap < this.width; tap += 1) this.table[phase * this.width + tap] /= sum;
    }
    this.past = new Float32Array(this.width + 4096);
    this.held = this.width;
    this.at = 0;
  }

  // Takes samples; calls `give` for each that comes of them.
  push(samples, give) {
    if (this.held + samples.length > this.past.length) {
      const more = new Float32Array(this.held + samples.length + 4096);
      more.set(this.past.subarray(0, this.held));
      this.past = more;
    }
    this.past.set(samples, this.held);
    this.held += samples.length;
    while (Math.floor(this.at) + this.width <= this.held) {
      const begin = Math.floor(this.at);
      const phase = (this.at - begin) * PHASES;
      const low = Math.floor(phase);
      const part = phase - low;
      const one = low * this.width;
      const two = one + this.width;
      let sum = 0;
      for (let tap = 0; tap < this.width; tap += 1) {
        const weight = this.table[one + tap] + part * (this.table[two + tap] - this.table[one + tap]);
        sum += weight * this.past[begin + tap];
      }
      give(sum);
      this.at += this.step;
    }
    const done = Math.min(Math.floor(this.at), this.held);
    if (done > 2048) {
      this.past.copyWithin(0, done, this.held);
      this.held -= done;
      this.at -= done;
    }
  }
}

const BETA = 9;
function bessel(x) {
  let sum = 1;
  let term = 1;
  for (let k = 1; k < 40; k += 1) {
    term *= (x / (2 * k)) ** 2;
    sum += term;
  }
  return sum;
}
const BESSEL_BETA = bessel(BETA);
function kaiser(place) {
  return bessel(BETA * Math.sqrt(1 - place * place)) / BESSEL_BETA;
}

class EarAndMouth extends AudioWorkletProcessor {
  constructor() {
    super();
    this.heard = new Resampler(sampleRate, RIG_RATE);
    this.spoken = new Resampler(sampleRate, RIG_RATE);
    this.voice = sampleRate === VOICE_RATE ? null : new Resampler(VOICE_RATE, sampleRate);
    // A callback makes a few samples more than fill a frame: they begin the next one.
    this.mic = new Int16Array(2 * FRAME);
    this.played = new Int16Array(2 * FRAME);
    this.filled = [0, 0];
    this.number = 0;
    this.silentFor = RIG_RATE;
    this.queue = [];
    this.queued = 0;
    this.front = 0;
    this.waited = 0;
    this.playing = false;
    this.taken = 0;
    this.ready = new Float32Array(0);
    this.gain = 1;
    this.micGain = 1;
    this.micWanted = 1;
    this.port.onmessage = ({ data }) => this.order(data);
  }

  order(data) {
    if (data.play) {
      const whole = new Int16Array(data.play, 4);
      const part = new Float32Array(whole.length);
      for (let at = 0; at < whole.length; at += 1) part[at] = whole[at] / 32767;
      this.queue.push(part);
      this.queued += part.length;
    }
    if (data.hush) this.hush();
    if (data.anew) {
      this.hush();
      this.taken = 0;
      this.number = 0;
      // What was heard before this is on its way already, under the old numbers.
      this.port.postMessage({ anew: data.anew });
    }
    if (data.mute !== undefined) this.micWanted = data.mute ? 0 : 1;
    if (data.volume !== undefined) this.gain = data.volume;
  }

  // What is queued is faded out; the rest counts as taken.
  hush() {
    const tail = new Float32Array(Math.min(FADE, this.queued));
    this.take(tail);
    this.taken = (this.taken + this.queued) >>> 0;
    [this.queue, this.queued, this.front] = [[], 0, 0];
    if (!this.playing) return;
    for (let at = 0; at < tail.length; at += 1) tail[at] *= 1 - (at + 1) / tail.length;
    this.fading = tail;
  }

  // Takes as many samples as there are, and says how many.
  take(into) {
    let got = 0;
    while (got < into.length && this.queue.length) {
      const first = this.queue[0];
      const count = Math.min(into.length - got, first.length - this.front);
      into.set(first.subarray(this.front, this.front + count), got);
      got += count;
      this.front += count;
      if (this.front === first.length) {
        this.queue.shift();
        this.front = 0;
      }
    }
    this.queued -= got;
    this.taken = (this.taken + got) >>> 0;
    return got;
  }

  // The next samples of the voice at 48 kHz.
  next(into) {
    let got = 0;
    if (this.fading) {
      got = Math.min(into.length, this.fading.length);
      into.set(this.fading.subarray(0, got));
      this.fading = got < this.fading.length ? this.fading.subarray(got) : null;
    }
    if (!this.playing && this.queued > 0) {
      this.waited += into.length;
      this.playing = this.queued >= BEGIN_WITH || this.waited >= BEGIN_AFTER;
    }
    if (this.playing) {
      const rest = into.subarray(got);
      if (this.take(rest) < rest.length) [this.playing, this.waited] = [false, 0];
    }
  }

  speak(out) {
    if (!this.voice) return this.next(out);
    // As many as the other rate needs, and what is too many waits.
    const made = [];
    let ready = this.ready;
    while (ready.length + made.length < out.length) {
      const piece = new Float32Array(Math.ceil(((out.length - ready.length - made.length) * VOICE_RATE) / sampleRate) + 1);
      this.next(piece);
      this.voice.push(piece, (sample) => made.push(sample));
    }
    const all = new Float32Array(ready.length + made.length);
    all.set(ready);
    all.set(made, ready.length);
    out.set(all.subarray(0, out.length));
    this.ready = all.slice(out.length);
  }

  process(inputs, outputs) {
    const out = outputs[0][0];
    this.speak(out);
    if (this.gain !== 1) for (let at = 0; at < out.length; at += 1) out[at] *= this.gain;
    const mic = new Float32Array(out.length);
    if (inputs[0][0]) mic.set(inputs[0][0]);
    for (let at = 0; at < mic.length; at += 1) {
      this.micGain += Math.max(-0.002, Math.min(0.002, this.micWanted - this.micGain));
      mic[at] *= this.micGain;
    }
    const keep = (stream, into) => (sample) => {
      into[this.filled[stream]] = Math.max(-32768, Math.min(32767, Math.round(sample * 32768)));
      this.filled[stream] += 1;
    };
    // Both make as many samples of as many: they are full together.
    for (let from = 0; from < out.length; from += 128) {
      this.heard.push(mic.subarray(from, from + 128), keep(0, this.mic));
      this.spoken.push(out.subarray(from, from + 128), keep(1, this.played));
      if (this.filled[0] >= FRAME) this.send();
    }
    return true;
  }

  send() {
    const mic = this.mic.subarray(0, FRAME);
    const played = this.played.subarray(0, FRAME);
    const silent = played.every((sample) => sample === 0);
    this.silentFor = silent ? this.silentFor + FRAME : 0;
    const both = this.silentFor < RIG_RATE;
    const bytes = new ArrayBuffer(HEAD + 2 * FRAME * (both ? 2 : 1));
    const head = new DataView(bytes);
    const clock = Math.round((currentFrame / sampleRate) * 1e6);
    head.setUint8(0, 1);
    head.setUint8(1, both ? 1 : 0);
    head.setUint16(2, FRAME, true);
    head.setUint32(4, this.number, true);
    head.setUint32(8, clock % 2 ** 32, true);
    head.setUint32(12, Math.floor(clock / 2 ** 32), true);
    head.setUint32(16, this.taken, true);
    new Int16Array(bytes, HEAD, FRAME).set(mic);
    if (both) new Int16Array(bytes, HEAD + 2 * FRAME, FRAME).set(played);
    this.number = (this.number + 1) >>> 0;
    this.mic.copyWithin(0, FRAME, this.filled[0]);
    this.played.copyWithin(0, FRAME, this.filled[1]);
    this.filled = [this.filled[0] - FRAME, this.filled[1] - FRAME];
    this.port.postMessage(bytes, [bytes]);
  }
}

registerProcessor("ear-and-mouth", EarAndMouth);
