//! No text makes the reader panic, whatever was done to it.

use proptest::prelude::*;
use schedule::Source;

const FILES: [&str; 3] = [
    include_str!("../../../../config-examples/schedules/pale-lager-quick.toml"),
    include_str!("../../../../config-examples/schedules/one-stage-cold-crash.toml"),
    include_str!("../../../../config-examples/barmkeep.toml"),
];
/// What a slip of the hand, or malice, may put anywhere.
const PIECES: [&str; 40] = [
    "",
    " ",
    "\n",
    "\r\n",
    "\t",
    "\u{feff}",
    "\0",
    "ü",
    "°",
    "−",
    "\"",
    "'",
    "\"\"\"",
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    ".",
    "#",
    "\\",
    "1e999",
    "nan",
    "-",
    "\"0 C\"",
    "\"-30 C\"",
    "\"110 %\"",
    "\"3660 d\"",
    "\"0 s\"",
    "0x7fffffffffffffff",
    "1979-05-27",
    "true",
    "all = []",
    "any = [{}]",
    "stage",
    "vessel.x.",
    "until",
];

/// Reads a text as both kinds of file, and draws all that is wrong with it.
fn read(text: &str) {
    let source = Source::new("x.toml", text);
    let problems = match schedule::kind_of(text) {
        schedule::FileKind::Config => schedule::read_config(&source, &|_| true).problems,
        schedule::FileKind::Schedule => Vec::new(),
    };
    let checked = schedule::read_schedule(&source);
    super::whole(&checked);
    for problem in problems.iter().chain(&checked.problems) {
        assert!(source.text.get(problem.place.range.clone()).is_some());
        assert!(problem.place.line >= 1 && problem.place.column >= 1);
    }
    schedule::render(&checked.problems, &source, true);
    schedule::render(&problems, &source, false);
}

/// Where in a file, in parts of its length; how much of it goes; what comes.
fn slip() -> impl Strategy<Value = (f64, usize, usize)> {
    (0.0..1.0, prop_oneof![Just(0_usize), 0..40_usize], 0..PIECES.len())
}

fn mutate(text: &str, slips: &[(f64, usize, usize)]) -> String {
    let mut letters: Vec<char> = text.chars().collect();
    for (place, gone, piece) in slips {
        let start = (place * letters.len() as f64) as usize;
        let end = (start + gone).min(letters.len());
        letters.splice(start..end, PIECES[*piece].chars());
    }
    letters.into_iter().collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_changed_file_never_panics(
        file in 0..FILES.len(),
        slips in proptest::collection::vec(slip(), 1..6),
    ) {
        read(&mutate(FILES[file], &slips));
    }

    #[test]
    fn shuffled_lines_never_panic(
        file in 0..FILES.len(),
        order in proptest::collection::vec(0_usize..200, 1..60),
    ) {
        let lines: Vec<&str> = FILES[file].lines().collect();
        let text: Vec<&str> = order.iter().map(|index| lines[index % lines.len()]).collect();
        read(&text.join("\n"));
    }

    #[test]
    fn any_text_never_panics(text in "\\PC{0,200}") {
        read(&text);
        read(&format!("format=1\n[[stage]]\nname='one'\ntarget={text}\nuntil={text}\n"));
    }
}

#[test]
fn deep_and_long_texts_are_refused_in_words() {
    let deep = |open: &str, close: &str| {
        let (open, close) = (open.repeat(20_000), close.repeat(20_000));
        format!("format=1\n[[stage]]\nname='x'\ntarget='1 C'\nuntil={open}{close}\n")
    };
    read(&deep("{all=[", "]}"));
    read(&deep("[", "]"));
    read(&format!("{}=1\n", "stage.".repeat(50_000)));
    read(&"[vessel.x]\n".repeat(5_000));
    // As deep as TOML's own reader goes, our walk goes too.
    let (open, close) = ("{all=[".repeat(38), "]}".repeat(38));
    let text = format!(
        "format=1\n[[stage]]\nname='x'\ntarget='1 C'\nuntil={open}{{elapsed='1 d'}}{close}\n"
    );
    super::check(&text, &[]);
}

#[test]
fn problems_beyond_a_hundred_are_counted() {
    let stages: String = (0..150).map(|n| format!("[[stage]]\nname='{n}'\ncolour=1\n")).collect();
    let source = Source::new("x.toml", format!("format=1\n{stages}"));
    let checked = schedule::read_schedule(&source);
    assert_eq!(checked.problems.len(), 101);
    let last = checked.problems.last().unwrap();
    assert_eq!(
        (last.code, last.message.as_str()),
        ("more-problems", "350 more problems are not shown")
    );
    assert!(checked.has_errors());
}
