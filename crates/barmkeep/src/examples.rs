//! The examples below each command's help. A test reads every one as it would be typed.

/// For each command what one would type; the cellar is an invented one.
pub const EXAMPLES: &[(&str, &[&str])] = &[
    ("run", &["barmkeep run /etc/barmkeep/barmkeep.toml"]),
    (
        "check",
        &[
            "barmkeep check cellar.toml schedules/*.toml",
            "barmkeep check schedules/pale-ale.toml --outline",
        ],
    ),
    (
        "rehearse",
        &[
            "barmkeep rehearse schedules/pale-ale.toml --plot batch.svg",
            "barmkeep rehearse schedules/pale-ale.toml --volume \"50 L\" --attenuation \"70 %\"",
        ],
    ),
    (
        "replay",
        &["barmkeep replay schedules/pale-ale.toml readings.csv --original-gravity \"1.050 SG\""],
    ),
    (
        "calibrate",
        &[
            "barmkeep calibrate points.csv --output float-1.toml --plot float-1.svg",
            "barmkeep calibrate water-warm-and-cold.csv --expansion fit",
            "barmkeep calibrate check.csv --against float-1.toml",
        ],
    ),
    ("pipe", &["barmkeep pipe cellar.toml < readings.jsonl"]),
    ("status", &["barmkeep status", "barmkeep status north --json"]),
    ("why", &["barmkeep why north"]),
    (
        "log",
        &[
            "barmkeep log north --since \"2 d\"",
            "barmkeep log --kind stage.entered --kind alarm.raised --last 20",
            "barmkeep log --follow",
        ],
    ),
    ("compare", &["barmkeep compare north", "barmkeep compare --batch north-3 --json"]),
    (
        "export",
        &[
            "barmkeep export north --output north.html",
            "barmkeep export --batch north-3 --output north-3.xlsx",
            "barmkeep export north --what course > course.csv",
        ],
    ),
    ("backup", &["barmkeep backup /mnt/backup/cellar.db", "barmkeep backup yesterday.db --force"]),
    ("demo", &["barmkeep demo --pace 3600", "barmkeep demo --stay"]),
    ("schema", &["barmkeep schema schedule > schedule.schema.json"]),
    ("reference", &["barmkeep reference schedule", "barmkeep reference alarms"]),
    ("completions", &["barmkeep completions fish > ~/.config/fish/completions/barmkeep.fish"]),
    ("man", &["barmkeep man pitch | man -l -", "barmkeep man --folder ~/.local/share/man/man1"]),
    ("password", &["barmkeep password", "barmkeep password < secret.txt"]),
    (
        "pitch",
        &[
            "barmkeep pitch north --schedule pale-ale --original-gravity \"1.050 SG\"",
            "barmkeep pitch north --schedule pale-ale --at 2026-03-01T18:00:00Z --yeast \"slurry\"",
        ],
    ),
    ("hold", &["barmkeep hold north", "barmkeep hold north --target \"16 C\""]),
    ("resume", &["barmkeep resume north"]),
    ("advance", &["barmkeep advance north", "barmkeep advance north --to \"cold crash\""]),
    (
        "nudge",
        &[
            "barmkeep nudge north --by \"1 C\" --until \"12 h\"",
            "barmkeep nudge north --by \"-0.5 C\"",
            "barmkeep nudge north --target \"20 C\" --until stage",
        ],
    ),
    (
        "confirm",
        &["barmkeep confirm north", "barmkeep confirm north --say \"The beer tastes clean\""],
    ),
    ("expect", &["barmkeep expect north --final-gravity \"1.009 SG\" --because \"forced test\""]),
    ("revise", &["barmkeep revise north"]),
    (
        "sample",
        &[
            "barmkeep sample north --gravity \"1.012 SG\" --temperature \"19 C\"",
            "barmkeep sample north --gravity \"6.2 Bx\" --instrument refractometer",
        ],
    ),
    (
        "addition",
        &[
            "barmkeep addition north --what \"candi sugar\" --extract \"500 g\"",
            "barmkeep addition north --what \"cherries\" --volume \"2 L\" --gravity \"1.040 SG\"",
            "barmkeep addition north --what \"dry hops\" --disturbs \"12 h\"",
        ],
    ),
    (
        "source",
        &[
            "barmkeep source north --name oak --do aside --for \"2 h\"",
            "barmkeep source north --name oak --do exchanged --calibration oak.toml",
        ],
    ),
    ("move", &["barmkeep move north --to south", "barmkeep move north --to south --keep \"8 L\""]),
    ("note", &["barmkeep note north --text \"Smells of pear\""]),
    ("park", &["barmkeep park north --target \"12 C\" --for \"1 d\""]),
    ("unpark", &["barmkeep unpark north"]),
    ("lock", &["barmkeep lock north --because \"cleaning the fridge\""]),
    ("unlock", &["barmkeep unlock north"]),
    ("acknowledge", &["barmkeep acknowledge north", "barmkeep acknowledge --alarm off-target"]),
    ("shelve", &["barmkeep shelve north --alarm battery-low --for \"2 d\""]),
    ("stop", &["barmkeep stop north"]),
    ("abort", &["barmkeep abort north"]),
];

/// What stands below a command's help.
pub fn below(command: &str) -> Option<String> {
    let (_, lines) = EXAMPLES.iter().find(|(known, _)| *known == command)?;
    let word = if lines.len() == 1 { "Example" } else { "Examples" };
    Some(format!("{word}:\n  {}", lines.join("\n  ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli;

    /// As a shell reads a line without anything special in it but quotation marks.
    fn words(line: &str) -> Vec<String> {
        let mut words = vec![String::new()];
        let mut quoted = false;
        for c in line.chars() {
            match c {
                '"' => quoted = !quoted,
                ' ' if !quoted => words.push(String::new()),
                c => words.last_mut().unwrap().push(c),
            }
        }
        words
    }

    #[test]
    fn every_command_has_an_example_and_each_is_understood() {
        for command in cli::command().get_subcommands() {
            let name = command.get_name();
            let (_, lines) = EXAMPLES
                .iter()
                .find(|(known, _)| *known == name)
                .unwrap_or_else(|| panic!("{name} has no example"));
            assert!(!lines.is_empty());
            for line in *lines {
                let typed = line.split(" | ").next().unwrap();
                let typed = typed.split(" > ").next().unwrap().split(" < ").next().unwrap();
                assert!(typed.starts_with(&format!("barmkeep {name}")), "{line}");
                let parsed = cli::parse(words(typed).into_iter().map(std::ffi::OsString::from));
                match parsed {
                    Ok(cli::Typed::Vessel(it)) => {
                        let read = engine::Command::from_fields(&it.name, &it.fields);
                        assert!(read.is_ok(), "{line}: {read:?}");
                    }
                    Ok(cli::Typed::Task(_)) => {}
                    Err(error) => panic!("{line}: {error}"),
                }
            }
        }
        let known = cli::command();
        for (name, _) in EXAMPLES {
            assert!(known.find_subcommand(name).is_some(), "{name} is no command");
        }
    }
}
