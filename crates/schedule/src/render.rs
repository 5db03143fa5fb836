//! Problems as a person reads them: the line of the file, a caret under the value, a hint.

use crate::problem::{Problem, Severity, Source};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// All problems of a file, one below the other, with a blank line between; empty where there is
/// none. `colour` adds the terminal's own colours; nothing is said by colour alone.
pub fn render(problems: &[Problem], source: &Source, colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let texts: Vec<String> =
        problems.iter().map(|problem| renderer.render(&groups(problem, source))).collect();
    let mut text = texts.join("\n\n");
    if !text.is_empty() {
        text.push('\n');
    }
    text
}

fn groups<'p>(problem: &'p Problem, source: &'p Source) -> Vec<Group<'p>> {
    let level = match problem.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let title = level.primary_title(problem.message.as_str()).id(problem.code);
    let mut snippet = Snippet::source(source.text.as_str())
        .path(source.name.as_str())
        .annotation(AnnotationKind::Primary.span(problem.place.range.clone()));
    for related in &problem.related {
        let span = related.place.range.clone();
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
