//! Problems as a person reads them: the line of the file, a caret under the value, a hint.

use crate::forms::SECRET;
use crate::problem::{Problem, Severity, Source};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::borrow::Cow;
use std::ops::Range;

/// All problems of a file, one below the other, with a blank line between; empty where there is
/// none. `colour` adds the terminal's own colours; nothing is said by colour alone.
pub fn render(problems: &[Problem], source: &Source, colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let text = without_secrets(problems, &source.text);
    let texts: Vec<String> = problems
        .iter()
        .map(|problem| renderer.render(&groups(problem, &source.name, &text)))
        .collect();
    let mut text = texts.join("\n\n");
    if !text.is_empty() {
        text.push('\n');
    }
    text
}

/// The text with stars over each value that holds a secret: what is drawn may end in a log.
fn without_secrets<'t>(problems: &[Problem], text: &'t str) -> Cow<'t, str> {
    let mut text = Cow::Borrowed(text);
    for problem in problems.iter().filter(|problem| problem.code == SECRET) {
        let range = problem.place.range.clone();
        let stars = "*".repeat(range.len());
        text.to_mut().replace_range(range, &stars);
    }
    text
}

fn groups<'p>(problem: &'p Problem, name: &'p str, text: &'p str) -> Vec<Group<'p>> {
    let level = match problem.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let title = level.primary_title(problem.message.as_str()).id(problem.code);
    // A byte order mark is no column of the first line.
    let whole = text;
    let text = whole.strip_prefix('\u{feff}').unwrap_or(whole);
    let mark = whole.len() - text.len();
    let moved =
        |range: &Range<usize>| range.start.saturating_sub(mark)..range.end.saturating_sub(mark);
    let mut snippet = Snippet::source(text)
        .path(name)
        .annotation(AnnotationKind::Primary.span(moved(&problem.place.range)));
    for related in &problem.related {
        let span = moved(&related.place.range);
        snippet =
            snippet.annotation(AnnotationKind::Context.span(span).label(related.message.as_str()));
    }
    let mut groups = vec![Group::with_title(title).element(snippet)];
    if let Some(hint) = &problem.hint {
        let title = Level::HELP.with_name("hint").secondary_title(hint.as_str());
        groups.push(Group::with_title(title));
    }
    groups
}
