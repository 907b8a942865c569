// Draws what the rig says there is to see. Nothing is decided here but that a clock without a link rings.

const HOLD_MS = 600;
const AGAIN_MS = 6000;

export function fill(text, ...values) {
  return values.reduce((done, value) => done.replace("{}", value), text);
}

export class Show {
  constructor(word, press) {
    this.word = word;
    this.press = press;
    this.view = null;
    this.armed = null;
    // The button that is being held, and what lets go of it.
    this.holding = null;
    this.find = (id) => document.getElementById(id);
  }

  draw(view) {
    this.view = view;
    const text = (id, value) => {
      const at = this.find(id);
      if (at.textContent !== value) at.textContent = value;
      at.hidden = !value;
    };
    text("routine", view.routine);
    text("section", view.section);
    text("count", view.step[1] ? fill(this.word("step"), ...view.step) : "");
    text("caution", view.caution && `${this.word("caution")}: ${view.caution}`);
    text("who", view.who);
    text("call", view.call);
    text("heard", view.heard && `${this.word("heard")}: ${view.heard}`);
    text("can-say", view.can_say.length ? `${this.word("can-say")}: ${view.can_say.join(", ")}` : "");
    this.list("notices", view.notices);
    this.list("beside", view.beside.map(([who, call]) => `${who}: ${call || this.word("waits")}`));
    this.answers(view);
    this.clocks(view.clocks);
  }

  list(id, lines) {
    const at = this.find(id);
    at.hidden = !lines.length;
    if (at.dataset.lines === lines.join("\n")) return;
    at.dataset.lines = lines.join("\n");
    at.replaceChildren(...lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
  }

  answers(view) {
    const at = this.find("answers");
    const key = JSON.stringify([view.question, view.hold, view.confirm, view.other, view.choices, view.typed]);
    if (at.dataset.key === key) return;
    at.dataset.key = key;
    this.drop(at);
    this.armed = null;
    this.find("hint").textContent = "";
    const buttons = [];
    if (view.typed !== null) buttons.push(...this.digits(view));
    if (view.confirm) buttons.push(this.answer("confirm", view.confirm, view));
    if (view.other) buttons.push(this.answer("other", view.other, view));
    if (view.choices.length) {
      const choices = document.createElement("div");
      choices.className = "choices";
      view.choices.forEach((words) => choices.append(this.answer("choice", words, view)));
      buttons.push(choices);
    }
    at.replaceChildren(...buttons);
  }

  answer(what, words, view) {
    const settle = () => this.press(what, view.question, words);
    const group = what === "choice" ? "choices" : what;
    return this.button(what, words, view.hold.includes(group), settle);
  }

  // A reading: what was typed of it, and its digits.
  digits(view) {
    const typed = Object.assign(document.createElement("p"), { className: "typed", textContent: view.typed });
    typed.setAttribute("role", "status");
    const pad = Object.assign(document.createElement("div"), { className: "digits" });
    for (const digit of "1234567890") pad.append(this.answer("digit", digit, view));
    return [typed, pad];
  }

  // A button that answers; one that can hurt has to be held.
  button(what, words, critical, settle) {
    const button = document.createElement("button");
    button.className = critical ? `${what} hold` : what;
    button.dataset.what = what;
    const part = (name, text) => Object.assign(document.createElement("span"), { className: name, textContent: text });
    if (critical) button.append(part("fill", ""));
    button.append(part("words", critical ? fill(this.word("hold"), words) : words));
    const answer = () => {
      navigator.vibrate?.(30);
      settle();
    };
    if (critical) this.held(button, words, answer);
    else button.addEventListener("click", answer);
    return button;
  }

  // A button that is drawn anew while it is held is let go: nobody hears of its end any more.
  drop(at) {
    if (this.holding && at.contains(this.holding.button)) this.holding.let_go();
  }

  // Held for as long as a slip of the thumb is not; by keyboard or screen reader pressed twice.
  held(button, words, settle) {
    let timer = 0;
    let done = false;
    const hint = (text) => (this.find("hint").textContent = text);
    const let_go = () => {
      if (timer && !done) hint(this.word("hold-longer"));
      clearTimeout(timer);
      timer = 0;
      button.classList.remove("held");
      if (this.holding?.button === button) this.holding = null;
    };
    button.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      button.setPointerCapture(event.pointerId);
      done = false;
      button.classList.add("held");
      this.holding?.let_go();
      this.holding = { button, let_go };
      timer = setTimeout(() => {
        if (!button.isConnected) return let_go();
        done = true;
        let_go();
        hint("");
        settle();
      }, HOLD_MS);
    });
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(end, let_go);
    button.addEventListener("contextmenu", (event) => event.preventDefault());
    button.addEventListener("click", (event) => {
      // A click of a pointer was a press that has been counted by its time.
      if (event.detail !== 0) return;
      const now = performance.now();
      if (this.armed?.button === button && now - this.armed.at < AGAIN_MS) {
        this.armed = null;
        hint("");
        settle();
      } else {
        this.armed = { button, at: now };
        hint(fill(this.word("press-again"), words));
      }
    });
  }

  clocks(clocks) {
    const at = this.find("clocks");
    at.hidden = !clocks.length;
    const key = JSON.stringify(clocks);
    if (at.dataset.key === key) return;
    at.dataset.key = key;
    this.drop(at);
    at.replaceChildren(
      ...clocks.map((clock) => {
        const one = Object.assign(document.createElement("div"), { className: "clock" });
        const part = (name) => Object.assign(document.createElement("div"), { className: name });
        const name = part("name");
        name.textContent = clock.name;
        one.append(part("time"), part("state"), name);
        if (clock.hazard) {
          const over = this.button("clock_over", clock.end, true, () => this.press("clock_over", this.view.question, clock.name));
          over.hidden = true;
          one.append(over);
        }
        return one;
      }),
    );
  }

  // Counts the clocks; gives those of a hazard whose time is up.
  tick(now) {
    if (!this.view || now === null) return [];
    const shown = this.find("clocks").children;
    const up = [];
    this.view.clocks.forEach((clock, index) => {
      const left = clock.ends - now;
      const at = shown[index];
      if (!at) return;
      const seconds = left > 0 ? Math.ceil(left / 1000) : Math.floor(-left / 1000);
      const time = `${left > 0 ? "" : "+"}${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
      const state = left > 0 ? this.word("time-left") : clock.hazard ? this.word("time-up") : this.word("time-over");
      const put = (name, text) => {
        const part = at.querySelector(name);
        if (part.textContent !== text) part.textContent = text;
      };
      put(".time", time);
      put(".state", state);
      at.classList.toggle("up", left <= 0 && clock.hazard);
      const over = at.querySelector("button");
      if (over) over.hidden = left > 0;
      if (left <= 0 && clock.hazard) up.push(clock.name);
    });
    return up;
  }
}
