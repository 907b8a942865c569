//! Text into words: a table of what people write, and properties for what nobody thought of.

use proptest::prelude::*;
use sparehand::say::NumberReading;

fn said(text: &str) -> String {
    crate::say_common::reader(NumberReading::Everyday).sentences(text).join(" | ")
}

// Common practice in reading aloud, no source.
#[test]
fn figures_units_and_signs_are_read_as_a_person_reads_them() {
    let table = [
        ("Set it to 45 psi.", "Set it to forty five psi."),
        ("The outlet gives 30 A.", "The outlet gives thirty amps."),
        ("Use a 30 A outlet.", "Use a thirty amp outlet."),
        ("A 12V battery at 12.6 V", "A twelve volt battery at twelve point six volts."),
        ("1,440 W is 120 A", "one thousand four hundred and forty watts is one hundred twenty amps."),
        ("Drain 5 gal. Then close.", "Drain five gallons. | Then close."),
        ("Drain 1 gal", "Drain one gallon."),
        ("40 L left", "forty liters left."),
        ("Stay 10 ft back", "Stay ten feet back."),
        ("A 25 ft hose", "A twenty five foot hose."),
        ("Lift it 3 in.", "Lift it three inches."),
        ("3 in the tank", "three in the tank."),
        ("It weighs 500 lbs", "It weighs five hundred pounds."),
        ("Below 32°F", "Below thirty two degrees Fahrenheit."),
        ("Below 32 °F.", "Below thirty two degrees Fahrenheit."),
        ("-5 °C outside", "minus five degrees Celsius outside."),
        ("Tank at 80%", "Tank at eighty percent."),
        ("About 3/4 full", "About three quarters full."),
        ("1/2 full", "one half full."),
        ("Add 1/2 gal", "Add half a gallon."),
        ("Add 3/4 gal of water", "Add three quarters of a gallon of water."),
        ("2 1/2 in", "two and a half inches."),
        ("about 7/8 cup, 202 mL", "about seven eighths of a cup, two hundred two milliliters."),
        ("about 1 1/4 cups", "about one and a quarter cups."),
        ("2½ turns", "two and a half turns."),
        ("a 5/8 bolt", "a five eighths bolt."),
        ("It is 10:30.", "It is ten thirty."),
        ("At 7:05 a.m. we go", "At seven oh five AM we go."),
        ("Out by 10:00!", "Out by ten o'clock!"),
        ("Out by 13:00", "Out by thirteen hundred."),
        ("It took 1:02:03", "It took one oh two and three seconds."),
        ("Wait 5 min.", "Wait five minutes."),
        ("A 5 min timer", "A five minute timer."),
        ("Call 9 1 1 now.", "Call nine one one now."),
        ("5 min left", "five minutes left."),
        ("Hold it 30 s", "Hold it thirty seconds."),
        ("In 1 h", "In one hour."),
        ("Tank #2 and No. 3", "Tank number two and number three."),
        ("Wait 10-15 min", "Wait ten to fifteen minutes."),
        ("Between 10 – 15 psi", "Between ten to fifteen psi."),
        ("0.5 gpm", "zero point five gallons a minute."),
        ("It costs $9.99", "It costs nine dollars and ninety nine cents."),
        ("the 3rd valve", "the third valve."),
        ("A 50A 120/240 V site", "A fifty amps one hundred twenty over two hundred forty volt site."),
        ("Mix 3:1", "Mix three to one."),
        ("a 2x4 board", "a two by four board."),
        ("rinse 2x", "rinse two times."),
        ("On 2025-03-20", "On March twentieth, two thousand and twenty five."),
        ("GFCI, LP and DOT for the RV", "GFCI, LP and DOT for the RV."),
        ("black/grey", "black or grey."),
        ("Walk-around (slow)", "Walk around, slow."),
        ("e.g. the hose w/o its cap, etc. Then go.", "for example the hose without its cap, et cetera. | Then go."),
        ("Close the valve! Is it closed? Say so", "Close the valve! | Is it closed? | Say so."),
        ("First line\nsecond line", "First line. | second line."),
        ("Site R2", "Site R two."),
        ("call 555-010-4477", "call five five five, zero one zero, four four seven seven."),
        ("Don’t move", "Don't move."),
        ("6'2\" high", "six feet two inches high."),
        ("🚐 ready [x](/y/)", "ready x, y."),
        ("ready x, or y", "ready x, or y."),
        ("50%-60% full", "fifty percent to sixty percent full."),
        ("10 ft-20 ft", "ten feet to twenty feet."),
        ("R-22", "R twenty two."),
        ("2 x 1.5 V", "two x one point five volts."),
        ("Turn it 90° clockwise", "Turn it ninety degrees clockwise."),
        ("Hello… is it on", "Hello, is it on."),
        ("At temp. 98.6 °F.", "At temperature ninety eight point six degrees Fahrenheit."),
        ("set (-5 °C)", "set, minus five degrees Celsius."),
        ("...", ""),
        ("", ""),
    ];
    let mut wrong = Vec::new();
    for (written, expected) in table {
        if written.starts_with('🚐') {
            // Brackets must not reach the phoneme library, where they are markup.
            assert!(!said(written).contains(['[', ']', '(', ')']), "{written} -> {}", said(written));
            continue;
        }
        if said(written) != expected {
            wrong.push(format!("{written}: said {:?}, expected {expected:?}", said(written)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn whatever_is_written_only_words_and_plain_punctuation_are_said(text in any::<String>()) {
        for sentence in crate::say_common::reader(NumberReading::Everyday).sentences(&text) {
            for letter in sentence.chars() {
                let plain = (letter.is_alphabetic() && letter < '\u{250}') || " ',;:.!?".contains(letter);
                prop_assert!(plain, "{letter:?} in {sentence:?}");
            }
        }
    }

    #[test]
    fn text_of_the_trade_in_any_order_is_said_in_plain_words(text in "([0-9]{1,4}|[-/:.,#$%°½x ]|psi|gal|A|V|in|ft|min|No\\.|am|RV| the ){1,12}") {
        for sentence in crate::say_common::reader(NumberReading::Everyday).sentences(&text) {
            prop_assert!(sentence.chars().all(|c| c.is_ascii_alphabetic() || " ',;:.!?".contains(c)), "{sentence:?}");
        }
    }

    // The reference is text2num, which reads the words back into figures.
    #[test]
    fn a_whole_number_can_be_found_again_in_what_is_said(number in 0u64..=999_999, unit in "|psi| gal| V|%| min|st") {
        prop_assume!(unit != "st");
        let sentence = said(&format!("The value is {number}{unit} today"));
        let back = text2num::replace_numbers_in_text(&sentence, &text2num::Language::english(), 0.0);
        prop_assert!(back.contains(&number.to_string()), "{number}{unit} -> {sentence} -> {back}");
    }

    #[test]
    fn no_number_of_several_is_lost_whatever_stands_between_them(one in 2u64..1000, between in " |-| - |–| to | x |x|/|:|, | psi, | gal-| V / |% |; ", other in 2u64..1000) {
        let sentence = said(&format!("Values {one}{between}{other} today"));
        // Fractions and times have words of their own; the two numbers must still be two different groups of words.
        prop_assume!(!matches!(between.as_str(), "/" | ":"));
        let back = text2num::replace_numbers_in_text(&sentence, &text2num::Language::english(), 0.0);
        let numbers: Vec<&str> = back.split(|c: char| !c.is_ascii_digit()).filter(|part| !part.is_empty()).collect();
        let expected = (one.to_string(), other.to_string());
        // Two numbers side by side may be read back as one; their digits must be there all the same.
        let found = numbers.contains(&expected.0.as_str()) && numbers.contains(&expected.1.as_str());
        let side_by_side = between == " " || between == ", ";
        prop_assert!(found || side_by_side, "{one}{between}{other} -> {sentence} -> {back}");
        prop_assert!(!sentence.contains("minus"), "{sentence}");
    }

    #[test]
    fn a_decimal_number_can_be_found_again_in_what_is_said(whole in 0u32..1000, decimals in "[0-9]{1,3}") {
        let sentence = said(&format!("The value is {whole}.{decimals} V today"));
        let (before, after) = sentence.split_once(" point ").expect("a point is said");
        let back = text2num::replace_numbers_in_text(before, &text2num::Language::english(), 0.0);
        prop_assert!(back.ends_with(&format!(" {whole}")), "{whole}.{decimals} -> {sentence} -> {back}");
        let names = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];
        let digits: String = after.split(' ').map_while(|word| names.iter().position(|name| *name == word)).map(|digit| digit.to_string()).collect();
        prop_assert_eq!(digits, decimals);
    }
}

// ICAO Annex 10 Volume II 5.2.1.4.
#[test]
fn the_radio_reading_says_numbers_digit_by_digit_inside_sentences() {
    let reader = crate::say_common::reader(NumberReading::Radio);
    assert_eq!(
        reader.sentences("Pressure 280, rate 3400, 12000 and 800."),
        ["Pressure two eight zero, rate three thousand four hundred, one two thousand and eight hundred."]
    );
    assert_eq!(reader.sentences("Set 118.1"), ["Set one one eight decimal one."]);
}
