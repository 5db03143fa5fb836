//! Text for a terminal: lines of its width, and colours that are never the only sign.

use anstyle::{AnsiColor, Style};
use std::io::IsTerminal;
use textwrap::{Options, WordSeparator, WordSplitter};

/// Where nothing else is known.
pub const WIDTH: usize = 80;
/// Narrower lines are no easier to read, wider ones are harder.
const NARROWEST: usize = 40;
const WIDEST: usize = 100;

/// What something is of.
pub const HEAD: Style = Style::new().bold();
/// What a person must look at.
pub const ALARM: Style = Style::new().bold().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Red)));
/// What a person should know.
pub const CARE: Style = Style::new().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Yellow)));
/// What is met.
pub const MET: Style = Style::new().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Green)));
/// What is only beside the point.
pub const FAINT: Style = Style::new().dimmed();

/// The words that stay with the number before them.
const UNITS: [&str; 10] = ["°C", "°F", "°P", "°Bx", "SG", "%", "points", "K", "kWh", "UTC"];
/// Stands for the blank before such a word while lines are broken.
const TIED: char = '\u{a0}';

/// How wide the lines of standard output are: as its terminal, else [`WIDTH`].
pub fn width() -> usize {
    if !std::io::stdout().is_terminal() {
        return WIDTH;
    }
    terminal_size::terminal_size()
        .map_or(WIDTH, |(width, _)| usize::from(width.0).clamp(NARROWEST, WIDEST))
}

/// A text in a style; a stream that bears no colours leaves the style out.
pub fn painted(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}

/// A text in lines of this width: the first begins with `first`, the others with as many blanks as
/// `hang`. Numbers stay with their units, and nothing is cut.
pub fn wrapped(first: &str, text: &str, hang: usize, width: usize) -> String {
    let blanks = " ".repeat(hang);
    let options = Options::new(width)
        .subsequent_indent(&blanks)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .break_words(false);
    let mut lines = Vec::new();
    for (index, line) in tied(&format!("{first}{text}")).lines().enumerate() {
        let options =
            if index == 0 { options.clone() } else { options.clone().initial_indent(&blanks) };
        lines.extend(textwrap::wrap(line, options).into_iter().map(std::borrow::Cow::into_owned));
    }
    lines.join("\n").replace(TIED, " ")
}

/// The text with its numbers tied to their units.
fn tied(text: &str) -> String {
    let mut tied = String::with_capacity(text.len());
    let mut words = text.split(' ').peekable();
    while let Some(word) = words.next() {
        tied.push_str(word);
        let Some(next) = words.peek() else { break };
        let unit = next.trim_end_matches([',', ';', '.', ':', ')']);
        let number = word.ends_with(|c: char| c.is_ascii_digit());
        // `19.8 °C`, `1.0500 ± 0.0010 SG`; the first word of a line may stand behind blanks.
        let together = (number && (UNITS.contains(&unit) || unit == "±")) || word == "±";
        tied.push(if together { TIED } else { ' ' });
    }
    tied
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_between_words_and_not_before_units() {
        let text = "the beer, at 19.8 °C, is near enough to 19.9 °C, as it was before";
        let lines = wrapped("  outputs    ", text, 13, 40);
        assert_eq!(
            lines,
            "  outputs    the beer, at 19.8 °C, is\n             near enough to 19.9 °C, as\n\
             \x20            it was before"
        );
    }

    #[test]
    fn no_line_is_wider_and_no_word_is_lost() {
        let text = "gravity 1.0500 ± 0.0010 SG, 73.1 % apparent, and 2 d 4 h to go: \
                    a-word-that-is-wider-than-the-whole-line-is";
        for width in [24, 33, 47, 80] {
            let lines = wrapped("", text, 2, width);
            for line in lines.lines() {
                let alone = line.trim().split(' ').count() == 1;
                assert!(line.chars().count() <= width || alone, "{width}: {line}");
            }
            let words: Vec<&str> = lines.split_whitespace().collect();
            assert_eq!(words, text.split_whitespace().collect::<Vec<_>>());
        }
    }

    #[test]
    fn colours_take_no_room() {
        let text = "alarm alarm alarm alarm";
        let plain = wrapped("", text, 0, 12);
        let colour = wrapped(&painted(ALARM, "alarm"), &text[5..], 0, 12);
        assert_eq!(plain.lines().count(), colour.lines().count());
    }
}
