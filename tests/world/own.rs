//! Routines of a test's own, step by step; what is not said of a step is as in any file.

use sparehand::rig::Rig;
use sparehand::routine::{self, Routine};

/// A step, as the lines of a routine's file.
#[derive(Clone)]
pub struct Step {
    id: String,
    section: Option<String>,
    lines: Vec<(String, String)>,
}

/// A place, and who works there: steps are made there.
#[derive(Clone, Copy)]
pub struct Spot(&'static str, &'static str);

pub fn at(place: &'static str, role: &'static str) -> Spot {
    Spot(place, role)
}

/// No place in particular, for anybody.
pub fn anywhere() -> Spot {
    Spot("", "either")
}

impl Spot {
    /// A step that is named like its id; it wants an answer yet.
    pub fn step(self, id: &str, call: &str) -> Step {
        let lines = [("name", id), ("call", call), ("where", self.0), ("role", self.1)];
        let lines = lines.map(|(field, text)| (field.to_owned(), quoted(text)));
        Step { id: id.to_owned(), section: None, lines: lines.to_vec() }
    }

    /// It is answered with "done", or with this.
    pub fn done(self, id: &str, call: &str, said: &str) -> Step {
        let answer = format!("{{ kind = 'done', also = [{}] }}", quoted(said));
        self.step(id, &format!("{call} Say: {said}.")).with("answer", &answer)
    }

    /// It is answered with how it stands; of the other state it is said how it is put right.
    pub fn state(self, id: &str, call: &str, (want, other): (&str, &str), put_right: &str) -> Step {
        let reply = quoted(&format!("{put_right} Then say: {want}."));
        let (wanted, another) = (quoted(want), quoted(other));
        let answer = format!("{{ kind = 'state', want = [{wanted}], other = [{another}], other_reply = {reply} }}");
        self.step(id, &format!("{call} Say: {want}, or {other}.")).with("answer", &answer)
    }
}

impl Step {
    pub fn named(self, name: &str) -> Self {
        self.with("name", &quoted(name))
    }

    pub fn short(self, short: &str) -> Self {
        self.with("short", &quoted(short))
    }

    pub fn after(self, ids: &[&str]) -> Self {
        self.with("after", &list(ids))
    }

    pub fn harm(self, harm: &str) -> Self {
        self.with("harm", &quoted(harm))
    }

    /// A clock of so many seconds, begun by what is said, and answered with something; and the words that end it, with what is to be done then.
    pub fn clock(self, seconds: u32, (start, started): (&str, &str), (end, over): (&str, &str)) -> Self {
        let (start, started, end) = (quoted(start), quoted(started), quoted(end));
        let (alarm, alarm_short) = (quoted(&format!("Time. {over}")), quoted(over));
        let name = quoted(&self.id);
        let answer = format!(
            "{{ kind = 'clock', name = {name}, seconds = {seconds}, start = [{start}], started = {started}, end = [{end}], \
             alarm = {alarm}, alarm_short = {alarm_short} }}"
        );
        self.with("answer", &answer).harm("hurt")
    }

    /// Any field, as the file writes it; in place of what was said of it before.
    pub fn with(mut self, field: &str, value: &str) -> Self {
        self.lines.retain(|(before, _)| before != field);
        self.lines.push((field.to_owned(), value.to_owned()));
        self
    }

    /// A section with this title begins here.
    pub fn opens(mut self, title: &str) -> Self {
        self.section = Some(title.to_owned());
        self
    }
}

/// The file of a routine with these steps and a gate.
pub fn text(id: &str, title: &str, steps: &[Step]) -> String {
    let complete = format!("{}{} is done.", title[..1].to_uppercase(), &title[1..]);
    let mut text = format!("id = \"{id}\"\ntitle = '{title}'\nintro = 'Begin.'\ncomplete = '{complete}'\n");
    let gate = anywhere().step("gate", "Last look.").named("nothing left to do").with("answer", "{ kind = 'gate' }");
    for (place, step) in steps.iter().chain([&gate]).enumerate() {
        let first = (place == 0).then_some("first things");
        if let Some(title) = step.section.as_deref().or(first) {
            text += &format!("[[section]]\nid = 's{place}'\ntitle = '{title}'\n");
        }
        text += &format!("[[section.step]]\nid = \"{}\"\n", step.id);
        step.lines.iter().for_each(|(field, value)| text += &format!("{field} = {value}\n"));
    }
    text
}

/// For whoever is outside: a cap that can hurt, and a tap that has to be shut again.
pub fn cap() -> Step {
    at("left", "outside").state("cap", "Close the cap.", ("cap on", "cap off"), "Close it.").harm("hurt")
}

pub fn fill() -> Step {
    let fill = at("left", "outside").step("fill", "Turn the tap on. Say: water on.");
    fill.clock(120, ("water on", "Filling."), ("water off", "Shut the tap."))
}

/// For whoever is inside.
pub fn cups() -> Step {
    at("galley", "inside").step("cups", "Put the cups away. Say: done.").with("answer", DONE)
}

pub fn lamp() -> Step {
    at("galley", "inside").state("lamp", "Switch the lamp off.", ("lamp off", "lamp on"), "Switch it off.").harm("hurt")
}

/// For both: a slide that moves by signals, from outside to inside, with these turns after them.
pub fn slide(after: &[&str], turns: &str) -> Step {
    let answer = format!(
        "{{ kind = 'both', turns = [\
         {{ role = 'outside', say = ['clear to move'], halt = ['not clear'], halt_reply = 'Nobody touches the switch.' }}, \
         {{ role = 'inside', call = 'Hold the switch. Say: moving.', say = ['moving'] }}, {turns}] }}"
    );
    let slide = at("slide", "either").step("slide", "Now the slide. Outside, when it is clear, say: clear to move.");
    slide.after(after).with("answer", &answer).harm("hurt").opens("together")
}

pub fn map() -> Step {
    let map = anywhere().done("map", "Look at the map, both of you.", "map seen");
    map.after(&["slide"]).with("together", "true")
}

/// Things to do outside, inside, and by both.
pub fn sides() -> Routine {
    let steps = [cap(), fill(), cups(), lamp(), slide(&["lamp", "fill"], ""), map()];
    load(&text("t", "the test", &steps))
}

/// An answer of nothing but "done".
pub const DONE: &str = "{ kind = 'done' }";

/// The routine of this file in a van of Rowan's and Imre's.
pub fn load(text: &str) -> Routine {
    load_for(text, 2)
}

/// The same where so many of them take part.
pub fn load_for(text: &str, people: usize) -> Routine {
    let two = "kind = 'van'\n[[person]]\nname = 'Rowan'\n[[person]]\nname = 'Imre'\n";
    routine::load("t.toml", text, &Rig::parse("rig.toml", two).unwrap().taking_part(people)).unwrap()
}

fn quoted(text: &str) -> String {
    format!("\"{text}\"")
}

fn list(items: &[&str]) -> String {
    format!("[{}]", items.iter().map(|item| quoted(item)).collect::<Vec<_>>().join(", "))
}
