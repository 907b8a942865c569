// Microphone and loudspeaker of the phone: one worklet that hears and plays in one place, so that the rig can take its own voice out.

export class Sound {
  // `on` holds what to call: frame(bytes), state(how).
  constructor(on) {
    this.on = on;
    this.context = null;
    this.how = "running";
    // How often it was begun anew, and which of those the worklet has begun.
    this.asked = 0;
    this.begun = 0;
  }

  // Has to be called from a tap: browsers switch sound on for that only. A page that only shows rings as well where it has no link.
  async wake() {
    this.context ??= new AudioContext({ latencyHint: "interactive" });
    await this.context.resume();
    this.context.onstatechange = () => this.look();
  }

  // Microphone and voice, after `wake`. Throws where there is no microphone.
  async begin(earpiece, volume) {
    if (navigator.audioSession) navigator.audioSession.type = "play-and-record";
    await this.listen(earpiece);
    await this.context.audioWorklet.addModule("/worklet.js");
    this.node = new AudioWorkletNode(this.context, "ear-and-mouth", { numberOfInputs: 1, numberOfOutputs: 1, outputChannelCount: [1] });
    this.node.port.onmessage = ({ data }) => {
      if (data.anew) this.begun = data.anew;
      else if (this.begun === this.asked) this.on.frame(data);
    };
    this.source.connect(this.node);
    this.node.connect(this.context.destination);
    this.volume(volume);
  }

  // A headset's microphone works only while the phone treats it as a call: then it takes the echo out itself.
  async listen(earpiece) {
    const audio = { echoCancellation: earpiece, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    const stream = await navigator.mediaDevices.getUserMedia({ audio });
    this.stream?.getTracks().forEach((track) => track.stop());
    this.source?.disconnect();
    this.stream = stream;
    this.source = this.context.createMediaStreamSource(stream);
    if (this.node) this.source.connect(this.node);
    const [track] = stream.getAudioTracks();
    track.onmute = track.onunmute = track.onended = () => this.look();
    this.look();
  }

  look() {
    const [track] = this.stream?.getAudioTracks() ?? [];
    let how = "running";
    if (!this.rings()) how = "interrupted";
    else if (this.stream && (!track || track.muted || track.readyState === "ended")) how = "muted";
    if (how === this.how) return;
    this.how = how;
    this.on.state(how);
  }

  // Whether it can be heard.
  rings() {
    return this.context?.state === "running";
  }

  // After a call: again from a tap.
  async again(earpiece) {
    await this.context.resume();
    const [track] = this.stream?.getAudioTracks() ?? [];
    if (this.stream && (!track || track.readyState === "ended")) await this.listen(earpiece);
    this.look();
  }

  play(bytes) {
    this.node?.port.postMessage({ play: bytes }, [bytes]);
  }

  hush() {
    this.node?.port.postMessage({ hush: true });
  }

  // Another connection: what was queued belongs to the one before, and is counted anew. What was heard before the worklet says so is not sent.
  anew() {
    if (!this.node) return;
    this.asked += 1;
    this.node.port.postMessage({ anew: this.asked });
  }

  mute(muted) {
    this.node?.port.postMessage({ mute: muted });
  }

  volume(part) {
    this.node?.port.postMessage({ volume: part });
  }

  end() {
    this.stream?.getTracks().forEach((track) => track.stop());
    this.context?.close();
  }

  // Three falling tones: the page's own alarm, for when the rig cannot be reached.
  ring() {
    if (!this.rings()) return;
    const now = this.context.currentTime;
    [988, 784, 659].forEach((pitch, at) => {
      const tone = this.context.createOscillator();
      const gain = this.context.createGain();
      tone.type = "square";
      tone.frequency.value = pitch;
      gain.gain.setValueAtTime(0, now + at * 0.25);
      gain.gain.linearRampToValueAtTime(0.5, now + at * 0.25 + 0.02);
      gain.gain.setValueAtTime(0.5, now + at * 0.25 + 0.2);
      gain.gain.linearRampToValueAtTime(0, now + at * 0.25 + 0.24);
      tone.connect(gain).connect(this.context.destination);
      tone.start(now + at * 0.25);
      tone.stop(now + at * 0.25 + 0.25);
    });
  }
}
