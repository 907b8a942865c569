//! An example or two of each command, as `--help` and the man pages show them.

use clap::Command;

/// What somebody wants, and what they type for it.
struct Example {
    /// The command, by its path below `sparehand` ("figure night").
    command: &'static str,
    wants: &'static str,
    line: &'static str,
}

const fn example(command: &'static str, wants: &'static str, line: &'static str) -> Example {
    Example { command, wants, line }
}

/// The command with its examples below its options, and those of all commands below it.
pub(super) fn shown(command: Command) -> Command {
    of_path(command, "")
}

fn of_path(mut command: Command, path: &str) -> Command {
    let own: Vec<String> = EXAMPLES
        .iter()
        .filter(|example| example.command == path)
        // A man page breaks a line only where the next one is indented.
        .map(|example| format!("  {}:\n    {}", example.wants, example.line))
        .collect();
    if !own.is_empty() {
        command = command.after_help(format!("Examples:\n{}", own.join("\n")));
    }
    let below: Vec<String> = command.get_subcommands().map(|sub| sub.get_name().to_owned()).collect();
    below.into_iter().fold(command, |command, name| {
        let path = format!("{path} {name}");
        command.mut_subcommand(name, |sub| of_path(sub, path.trim_start()))
    })
}

const EXAMPLES: &[Example] = &[
    example("run", "Dump the tanks", "sparehand run tank-dump"),
    example(
        "run",
        "Break camp by two and be away by ten; Rowan lifts nothing today",
        "sparehand run leave --person Rowan --person Imre --limit rowan=lifting --away-by 10:00",
    ),
    example("run", "Set up at a site, with phones let in", "sparehand run arrive --phones --address 192.168.8.1"),
    example("rehearse", "Try the tank dump out in a minute, nobody needed", "sparehand rehearse tank-dump"),
    example(
        "rehearse",
        "Listen to a morning as it would go, in a folder of its own",
        "sparehand rehearse leave --pace real --out leaving",
    ),
    example(
        "hear",
        "See which of the phrases in a file two recordings hold",
        "sparehand hear --phrases phrases.txt first.wav second.wav",
    ),
    example("speak", "Hear the voice", "sparehand speak \"Gray valve closed?\""),
    example("speak", "Slower, into a file", "sparehand speak \"Gray valve closed?\" --pace 0.8 --into valve.wav"),
    example("mic", "Measure the microphone where it stands", "sparehand mic"),
    example("mic", "See which devices there are", "sparehand mic --list"),
    example("learn-voice", "Teach it how Rowan speaks", "sparehand learn-voice Rowan"),
    example("learn-voice", "Take that back", "sparehand learn-voice Rowan --forget"),
    example("doctor", "See whether a run would work here", "sparehand doctor"),
    example("log", "List past runs", "sparehand log"),
    example("log", "Make a page of run 7", "sparehand log 7 --html --out run-7.html"),
    example("log", "See how long each step takes each of you", "sparehand log --stats"),
    example("phones", "Let another phone in to a run without a screen", "sparehand phones --invite"),
    example("phones", "Send Imre's phone away", "sparehand phones --forget Imre"),
    example("rig", "Describe your rig", "sparehand rig"),
    example("rig", "Write the schema for a text editor", "sparehand rig --schema"),
    example("site", "See what is out and connected", "sparehand site"),
    example("site", "Tell that shore power is off and the mat is out", "sparehand site shore-power=away own-mat=out"),
    example("notes", "List the notes that come back", "sparehand notes"),
    example("notes", "Note 2 is done", "sparehand notes --done 2"),
    example("proof", "Look over all routines, your own with them", "sparehand proof"),
    example("proof", "One file, and how its answers are heard", "sparehand proof my-dump.toml --by-ear"),
    example(
        "figure",
        "How a cold night ends",
        "sparehand figure night --fan \"90 W\" --burner \"30,000 BTU/h\" --rest \"25 W\"",
    ),
    example("figure", "The same for a program", "sparehand figure convert \"40 gal\" --json"),
    example("figure convert", "Gallons in liters", "sparehand figure convert \"40 gal\""),
    example(
        "figure tank-volume",
        "A box, by its inside measures",
        "sparehand figure tank-volume --length \"48 in\" --width \"24 in\" --height \"8 in\"",
    ),
    example("figure tank-level", "By the lamps", "sparehand figure tank-level --tank \"30 gal\" --lamps \"2 of 3\""),
    example(
        "figure bucket-flow",
        "A bucket in 45 seconds",
        "sparehand figure bucket-flow --bucket \"5 gal\" --time \"45 s\"",
    ),
    example("figure fill-time", "An empty tank", "sparehand figure fill-time --tank \"40 gal\" --flow \"5 gpm\""),
    example(
        "figure rinse-clock",
        "Five minutes, if the tank takes them",
        "sparehand figure rinse-clock --tank \"40 gal\" --flow \"8 gpm\" --owner \"5 min\"",
    ),
    example(
        "figure layer-clock",
        "By the tank's floor",
        "sparehand figure layer-clock --length \"30 in\" --width \"48 in\" --flow \"5 gpm\"",
    ),
    example(
        "figure depth",
        "How deep five gallons stand",
        "sparehand figure depth --water \"5 gal\" --length \"30 in\" --width \"48 in\"",
    ),
    example(
        "figure drain-time",
        "A tank of 40 gallons, 10 inches deep",
        "sparehand figure drain-time --tank \"40 gal\" --from \"10 in\" --outlet \"3 in\"",
    ),
    example("figure supply", "A tap at 85 psi", "sparehand figure supply --pressure \"85 psi\" --regulator \"50 psi\""),
    example(
        "figure hose-loss",
        "Twenty-five feet of half-inch hose",
        "sparehand figure hose-loss --flow \"5 gpm\" --diameter \"1/2 in\" --length \"25 ft\"",
    ),
    example(
        "figure bleach",
        "For a tank of 40 gallons",
        "sparehand figure bleach --strength \"8.25 %\" --water \"40 gal\"",
    ),
    example(
        "figure service-load",
        "Heater and kettle on 30 amps",
        "sparehand figure service-load --service \"30 A\" --on \"heater=1,500 W\" --on \"kettle=1,200 W\"",
    ),
    example("figure inverter-draw", "A kettle", "sparehand figure inverter-draw --load \"1,200 W\" --voltage \"12 V\""),
    example(
        "figure battery-hours",
        "Ten amps",
        "sparehand figure battery-hours --capacity \"100 Ah\" --current \"10 A\"",
    ),
    example(
        "figure battery-exponent",
        "From two discharges",
        "sparehand figure battery-exponent --first \"5 A for 20 h\" --second \"20 A for 3 h\"",
    ),
    example(
        "figure night",
        "Furnace, a lamp, a battery and a bottle",
        "sparehand figure night --fan \"90 W\" --burner \"30,000 BTU/h\" --rest \"25 W\" --usable \"100 Ah\" --gas \"20 lb\"",
    ),
    example(
        "figure unplug",
        "Lamps stay on",
        "sparehand figure unplug --on \"lamps=24 W@battery\" --capacity \"100 Ah\"",
    ),
    example(
        "figure cord-drop",
        "A hundred feet of 10 gauge",
        "sparehand figure cord-drop --gauge 10 --length \"100 ft\" --current \"20 A\"",
    ),
    example(
        "figure tire-change",
        "Read in a warm morning, rolled into the cold",
        "sparehand figure tire-change --reading \"80 psi\" --from \"70 F\" --to \"30 F\"",
    ),
    example(
        "figure tire-reading",
        "After two hours at a stop",
        "sparehand figure tire-reading --reading \"84 psi\" --placard \"80 psi\" --parked \"2 h\" --driven \"60 mi\"",
    ),
    example(
        "figure weights",
        "A motorhome on a scale",
        "sparehand figure weights --vehicle \"22,000 lb of 23,000 lb\" --axle \"front=8,000 lb of 9,000 lb\"",
    ),
    example("figure tongue", "A travel trailer", "sparehand figure tongue --tongue \"600 lb\" --trailer \"5,000 lb\""),
    example(
        "figure cargo",
        "Two people, gear and water",
        "sparehand figure cargo --label \"1,500 lb\" --load \"350 lb\" --load \"660 lb\"",
    ),
    example(
        "figure wheels",
        "One axle, side by side",
        "sparehand figure wheels --left \"4,300 lb\" --right \"4,100 lb\" --axle \"9,000 lb\" --tires \"4,500 lb\"",
    ),
    example(
        "figure trailer-brakes",
        "A small trailer behind a heavy van",
        "sparehand figure trailer-brakes --trailer \"2,000 lb\" --trailer-axles \"1,800 lb\" --towing-axles \"6,000 lb\"",
    ),
    example(
        "figure wheel-nuts",
        "Thirty miles after a wheel was changed",
        "sparehand figure wheel-nuts --driven \"30 mi\" --tightened \"12 mi\"",
    ),
    example(
        "figure daylight",
        "Midsummer in the north",
        "sparehand figure daylight --place \"64.84 N 147.72 W\" --date 2026-06-21 --zone America/Anchorage",
    ),
    example("figure batch", "Many questions from a file", "sparehand figure batch < questions.jsonl"),
    example("plan", "When to begin to be away by ten", "sparehand plan --away-by 10:00"),
    example(
        "plan",
        "By two, with a page and a calendar entry",
        "sparehand plan --away-by 10:00 --person Rowan:outside,driver --person Imre:inside,spotter --out plan",
    ),
    example(
        "from-table",
        "Make a routine of your own list",
        "sparehand from-table departure.xlsx --out my-departure.toml",
    ),
    example("to-table", "A routine as a spreadsheet", "sparehand to-table tank-dump --out tank-dump.xlsx"),
    example(
        "sheet",
        "The tank dump on paper, in large print",
        "sparehand sheet tank-dump --large --paper letter --out tank-dump.pdf",
    ),
    example("fetch", "Once, with a network", "sparehand fetch"),
    example("fetch", "For a machine that never has one: first elsewhere", "sparehand fetch --into stick"),
    example("fetch", "Then there", "sparehand fetch --from stick"),
    example("prompts", "Hear everything that it can say", "sparehand prompts --out spoken"),
];
