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
    this.call(view.call);
    this.said(view);
    text("heard", view.heard && `${this.word("heard")}: ${view.heard}`);
    text("can-say", view.can_say.length ? `${this.word("can-say")}: ${view.can_say.join(", ")}` : "");
    this.list("notices", view.notices);
    this.list("beside", view.beside.map(([who, call]) => `${who}: ${call || this.word("waits")}`));
    this.answers(view);
    this.clocks(view);
    this.cards(view);
    if (this.question !== view.question && !this.find("more").open) this.find("run").scrollTop = 0;
    this.question = view.question;
  }

  // What is asked back may be a whole list: the longer, the smaller.
  call(call) {
    const at = this.find("call");
    if (at.textContent !== call) at.textContent = call;
    at.classList.toggle("long", call.length > 40);
    at.classList.toggle("longer", call.length > 110);
  }

  // What was said, the newest first; what stands in large letters anyway is not said twice.
  said(view) {
    const at = this.find("said");
    const lines = view.said.filter((line, place) => line !== view.call && line !== view.said[place + 1]).reverse();
    at.hidden = !lines.length;
    if (at.dataset.lines === lines.join("\n")) return;
    at.dataset.lines = lines.join("\n");
    at.replaceChildren(...lines.map((line) => Object.assign(document.createElement("p"), { textContent: line })));
  }

  // What is to be begun in an emergency; each has to be held.
  cards(view) {
    const at = this.find("cards");
    this.find("emergency").hidden = !view.cards.length;
    const key = JSON.stringify(view.cards);
    if (at.dataset.key === key) return;
    at.dataset.key = key;
    this.drop(at);
    at.replaceChildren(
      ...view.cards.map((title) =>
        this.button("card", title, true, () => {
          this.open_cards(false);
          this.press("card", this.view.question, title);
        }),
      ),
    );
  }

  open_cards(open) {
    this.find("cards").hidden = !open;
    this.find("emergency").setAttribute("aria-expanded", String(open));
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
    const by_clock = this.asked_clock(view) !== null;
    const key = JSON.stringify([view.question, view.hold, view.confirm, view.other, view.choices, view.typed, view.enters, view.bounds, view.standing_by, by_clock, view.beside]);
    if (at.dataset.key === key) return;
    at.dataset.key = key;
    this.drop(at);
    this.armed = null;
    this.find("hint").textContent = "";
    const buttons = [];
    const go_ahead = this.word("go-ahead");
    if (view.standing_by && view.confirm.toLowerCase() !== go_ahead.toLowerCase()) {
      buttons.push(this.button("go_ahead", go_ahead, false, () => this.press("go_ahead", view.question, "")));
    }
    if (view.typed !== null) buttons.push(...this.digits(view));
    else {
      // A button that is there twice makes one wonder which is which.
      if (view.confirm && !by_clock) buttons.push(this.answer("confirm", view.confirm, view));
      if (view.other) buttons.push(this.answer("other", view.other, view));
    }
    if (view.choices.length) {
      const choices = document.createElement("div");
      choices.className = "choices";
      view.choices.forEach((words) => choices.append(this.answer("choice", words, view)));
      // Where something is picked, that comes first, and the way out after it.
      buttons.splice(view.confirm ? buttons.length : 0, 0, choices);
    }
    const waits = !buttons.length && !by_clock && view.step[1] > 0 && view.beside.filter(([, call]) => call).map(([who]) => who);
    if (waits?.length) buttons.push(Object.assign(document.createElement("p"), { className: "waits", textContent: fill(this.word("asked-first"), waits.join(", ")) }));
    at.replaceChildren(...buttons);
  }

  answer(what, words, view, label) {
    const settle = () => this.press(what, view.question, words);
    const group = what === "choice" ? "choices" : what;
    return this.button(what, label ?? words, view.hold.includes(group), settle);
  }

  // The clock whose end is what is asked for: its own button answers. Nothing where it is not the only one of these words.
  asked_clock(view) {
    const ends = view.clocks.filter((clock) => clock.hazard && clock.end && clock.end === view.confirm);
    return ends.length === 1 ? ends[0] : null;
  }

  // A reading: what was typed of it and what it should be, its digits, and what it ends with.
  digits(view) {
    const part = (kind, name, text) => Object.assign(document.createElement(kind), { className: name, textContent: text });
    const reading = part("div", "reading", "");
    const typed = part("p", "typed", view.typed);
    typed.setAttribute("role", "status");
    reading.append(typed);
    if (view.bounds) reading.append(part("p", "bounds", fill(this.word("should-be"), view.bounds)));
    const pad = part("div", "digits", "");
    for (const digit of "1234567890") pad.append(this.answer("digit", digit, view));
    const end = part("div", "end", "");
    const back = this.answer("drop_digit", "", view, this.word("drop-digit"));
    const enter = this.answer("confirm", view.confirm, view, fill(this.word("enter"), view.enters || view.typed).trim());
    back.disabled = !view.typed;
    enter.disabled = !view.confirm;
    end.append(back, enter);
    return [reading, pad, end];
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

  clocks(view) {
    const at = this.find("clocks");
    const clocks = view.clocks;
    const asked = this.asked_clock(view);
    at.hidden = !clocks.length;
    const key = JSON.stringify([clocks, clocks.indexOf(asked)]);
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
          over.classList.toggle("asked", clock === asked);
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
      if (left <= 0 && clock.hazard) up.push(clock.name);
    });
    return up;
  }
}
