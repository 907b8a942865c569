// Begins: lets the phone in by the code it was opened with, asks who it is for, and joins link, sound and screen.

import { Link, VERSION } from "/link.js";
import { Show, fill } from "/show.js";
import { Sound } from "/sound.js";

const find = (id) => document.getElementById(id);
const RING_EVERY_MS = 3000;
const SOUND_WITHIN_MS = 1000;

let words = {};
const word = (name) => words[name] ?? name;

async function main() {
  words = await (await fetch("/words.json")).json();
  for (const at of document.querySelectorAll("[data-word]")) at.textContent = word(at.dataset.word);
  for (const at of document.querySelectorAll("[data-label]")) at.setAttribute("aria-label", word(at.dataset.label));
  document.title = word("title");
  const refused = await pair();
  if (refused) return tell(refused);
  const crew = await fetch("/crew");
  if (crew.status === 401) return tell(word("not-paired"));
  if (!crew.ok) return tell(word("no-crew"));
  const { people, version } = await crew.json();
  if (version !== VERSION) return tell(word("refused-version"));
  find("authority").hidden = false;
  choose(people);
}

// The token stands behind the # of the address, which no browser sends by itself; it is taken off the address at once.
async function pair() {
  const token = new URLSearchParams(location.hash.slice(1)).get("k");
  if (!token) return null;
  history.replaceState(null, "", "/");
  const answer = await fetch("/pair", { method: "POST", body: JSON.stringify({ token }) });
  if (answer.ok) return null;
  if (answer.status === 429) return word("too-often");
  // One that was let in before may come with an old code.
  return (await fetch("/crew")).ok ? null : word("not-paired");
}

function choose(people) {
  const before = JSON.parse(localStorage.getItem("names") ?? "[]");
  let names = people.length === 1 ? people : people.filter((person) => before.includes(person));
  const share = find("share");
  share.checked = names.length > 1;
  const inputs = people.map((person) => Object.assign(document.createElement("input"), { name: "name", value: person, checked: names.includes(person) }));
  // One of them, or as many as share the phone.
  const ready = () => {
    names = inputs.filter((input) => input.checked).map((input) => input.value);
    if (people.length < 2) names = people;
    const picked = people.length === 0 || (share.checked ? names.length > 1 : names.length === 1);
    find("begin").disabled = !picked;
    // A gray button says why it is gray.
    find("pick").textContent = picked ? "" : share.checked ? word("pick-both") : word("pick");
    find("pick").hidden = picked;
    find("only-screen").disabled = people.length > 0 && names.length !== 1;
  };
  const kind = () => {
    if (!share.checked && names.length > 1) inputs.forEach((input) => (input.checked = false));
    inputs.forEach((input) => (input.type = share.checked ? "checkbox" : "radio"));
    ready();
  };
  if (people.length > 1) {
    find("names").hidden = false;
    find("name-list").replaceChildren(
      ...inputs.map((input) => {
        const label = document.createElement("label");
        input.addEventListener("change", ready);
        label.append(input, Object.assign(document.createElement("span"), { textContent: input.value }));
        return label;
      }),
    );
  }
  share.addEventListener("change", kind);
  kind();
  find("start").hidden = false;
  const page = new Page();
  // Whoever was here before, or can only be this one, sees at once what goes on and what rings.
  if (names.length || !people.length) page.watch(names.slice(0, 1));
  const begin = (part) => {
    localStorage.setItem("names", JSON.stringify(names));
    find("start").hidden = true;
    find("run").hidden = false;
    find("told").prepend(find("clocks"));
    page.begin(names, part);
  };
  find("begin").addEventListener("click", () => begin("station"));
  find("only-screen").addEventListener("click", () => begin("screen"));
}

class Page {
  constructor() {
    this.names = [];
    // Nothing until it has begun.
    this.part = null;
    this.earpiece = false;
    this.talking = false;
    // What the bar is made from: the link was there and is lost, the page has ended (why), there is no microphone though one was wanted.
    this.lost = false;
    this.ended = "";
    this.deaf = false;
    this.rang = 0;
    this.last = 0;
    this.show = new Show(word, (what, question, words) => this.press(what, question, words));
    this.sound = new Sound({
      frame: (bytes) => {
        if (this.link?.hello?.part === "station") this.link.sound(bytes);
      },
      state: () => {
        this.say();
        this.how();
      },
    });
    setInterval(() => this.tick(), 200);
  }

  connect(hello) {
    this.link?.shut();
    this.link = new Link({
      open: () => {
        this.sound.anew();
        this.say();
        this.lost = false;
        this.reached(true);
      },
      lost: () => {
        this.sound.hush();
        this.lost = true;
        this.reached(false);
      },
      told: (told) => this.told(told),
      speech: (bytes) => {
        this.last = performance.now();
        this.sound.play(bytes);
      },
    });
    this.reached(false);
    this.link.open(hello);
  }

  // Before it has begun: what goes on, as a screen sees it.
  watch(names) {
    this.connect({ names, part: "screen" });
  }

  async begin(names, part) {
    this.names = names;
    this.part = part;
    this.lost = false;
    const awake = this.sound.wake();
    try {
      if (part === "station") {
        await awake;
        await this.sound.begin(this.earpiece, find("volume").value / 100);
      }
    } catch (why) {
      console.warn(why);
      this.part = "screen";
      this.deaf = true;
    }
    // What only shows does not wait for its sound.
    awake.catch(console.warn).finally(() => this.sound.look());
    setTimeout(() => this.sound.look(), SOUND_WITHIN_MS);
    this.connect({ names: this.names, part: this.part });
    this.buttons();
    this.stay();
    find("settings").hidden = this.part !== "station";
    find("always").hidden = false;
    // What is spoken here a screen reader need not say as well.
    find(this.part === "screen" ? "said" : "call").setAttribute("aria-live", "polite");
    this.how();
  }

  told(told) {
    if (told.kind === "view") {
      this.show.draw(told);
      if (!this.part) this.goes_on(told);
    }
    if (told.kind === "hush") this.sound.hush();
    if (told.kind === "superseded") this.end(word("superseded"), "comes back");
    // Whoever only watches may yet begin as something else.
    if (told.kind === "refused" && this.part) this.end(this.refusal(told.why));
    if (told.kind === "over") this.end(word("over"));
  }

  goes_on(view) {
    const at = find("goes-on");
    const text = fill(word("goes-on"), view.routine);
    if (at.textContent !== text) at.textContent = text;
    at.hidden = !view.routine;
  }

  refusal(why) {
    if (why === "version") return word("refused-version");
    if (why === "no_station") return word("refused-no-station");
    return why === "full" ? word("refused-full") : word("refused-stranger");
  }

  // Nothing is heard or said here any more.
  end(text, after) {
    this.ended = text;
    if (after) find("bar").onclick = () => location.reload();
    this.sound.end();
    this.reached(false);
  }

  // Without a link no button answers anything, and none looks as if it did.
  reached(is) {
    for (const id of ["answers", "clocks", "stop", "asks", "cards"]) find(id).inert = !is;
    this.how();
  }

  press(what, question, words) {
    this.link.say({ kind: "press", what, question, words });
  }

  buttons() {
    for (const button of document.querySelectorAll("[data-button]")) {
      button.addEventListener("click", () => {
        navigator.vibrate?.(20);
        this.press(button.dataset.button, this.show.view?.question ?? 0, "");
        if (!find("asks").contains(button)) return;
        // The answer stands at the top.
        find("more").open = false;
        find("run").scrollTop = 0;
      });
    }
    find("emergency").addEventListener("click", () => this.show.open_cards(find("cards").hidden));
    const talk = find("talk");
    const open = (is) => {
      talk.classList.toggle("open", is);
      this.sound.mute(find("talk-switch").checked && !is);
      this.talking = is;
      this.how();
    };
    talk.addEventListener("pointerdown", (event) => {
      talk.setPointerCapture(event.pointerId);
      open(true);
    });
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) talk.addEventListener(end, () => open(false));
    talk.addEventListener("keydown", (event) => {
      if ((event.key === " " || event.key === "Enter") && !event.repeat) open(true);
    });
    talk.addEventListener("keyup", () => open(false));
    talk.addEventListener("contextmenu", (event) => event.preventDefault());
    find("talk-switch").addEventListener("change", (event) => {
      talk.hidden = !event.target.checked;
      open(false);
    });
    find("earpiece").addEventListener("change", async (event) => {
      this.earpiece = event.target.checked;
      await this.sound.listen(this.earpiece);
    });
    find("volume").addEventListener("input", (event) => this.sound.volume(event.target.value / 100));
    find("leave").addEventListener("click", () => {
      this.link.say({ kind: "leave" });
      this.end(word("left"), "comes back");
      this.link.shut();
    });
    find("bar").addEventListener("click", () => {
      if (this.ended) return;
      if (this.sound.how !== "running") this.sound.again(this.earpiece).catch(console.warn);
      else this.deaf = false;
      this.how();
    });
  }

  // The screen stays on, as long as the phone allows it.
  async stay() {
    const hold = async () => {
      try {
        if (document.visibilityState === "visible") await navigator.wakeLock?.request("screen");
      } catch (why) {
        console.warn(why);
      }
    };
    document.addEventListener("visibilitychange", hold);
    await hold();
  }

  say() {
    this.link?.say({ kind: "state", sound: this.sound.how });
  }

  how() {
    let text = word("listening");
    if (this.ended) text = "";
    else if (!this.link?.up) text = word("connecting");
    else if (this.part === "screen") text = word("screen-only");
    else if (find("talk-switch").checked && !this.talking) text = word("muted");
    else if (performance.now() - this.last < 400) text = word("speaking");
    const at = find("sound");
    const name = this.names.join(", ");
    const full = name && text ? `${name}: ${text}` : text;
    if (at.textContent !== full) at.textContent = full;
    tell(this.warning());
  }

  // What somebody must know or do, the most urgent of it.
  warning() {
    if (this.ended) return this.ended;
    if (this.lost && !this.part) return word("no-crew");
    if (this.lost) return this.sound.rings() ? word("away") : word("away-silent");
    if (this.sound.how === "interrupted") return this.part === "station" ? word("interrupted") : word("no-sound");
    if (this.sound.how === "muted") return word("microphone-off");
    return this.deaf ? word("no-microphone") : "";
  }

  // Counts the clocks. Where the rig cannot be reached this phone rings for a hazard by itself.
  tick() {
    if (!this.link) return;
    const up = this.show.tick(this.link.time.now());
    this.how();
    if (!this.part || this.ended || this.link.up || !up.length || performance.now() - this.rang < RING_EVERY_MS) return;
    this.rang = performance.now();
    this.sound.ring();
    navigator.vibrate?.([300, 100, 300, 100, 300]);
    document.documentElement.dataset.rang = String(Number(document.documentElement.dataset.rang ?? 0) + 1);
  }
}

function tell(text) {
  const bar = find("bar");
  if (bar.textContent !== text) bar.textContent = text;
  bar.hidden = !text;
}

main().catch((why) => {
  console.error(why);
  tell(words["no-crew"] ?? "");
});
