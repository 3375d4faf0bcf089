//! Printing: results to stdout, talk and progress to stderr.

use crate::failure::Failure;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{IsTerminal, Write};

/// Prints a result line.
pub(crate) fn say(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{text}").map_err(Failure::output(std::path::Path::new("standard output")))
}

/// Prints one JSON object.
pub(crate) fn json(value: &serde_json::Value) -> Result<(), Failure> {
    say(&serde_json::to_string_pretty(value).unwrap_or_default())
}

/// Says something that is not the result.
pub(crate) fn note(text: &str) {
    drop(writeln!(std::io::stderr().lock(), "{text}"));
}

/// Says why a command ends.
pub(crate) fn error(text: &str) {
    drop(writeln!(std::io::stderr().lock(), "leadline: {text}"));
}

/// A bar for `total` steps; silent where stderr is no terminal or `quiet`.
pub(crate) fn bar(total: u64, what: &str, quiet: bool) -> ProgressBar {
    let bar = ProgressBar::new(total);
    let shown = !quiet && std::io::stderr().is_terminal();
    bar.set_draw_target(if shown { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() });
    let style = ProgressStyle::with_template("{msg:24} [{bar:30}] {percent:>3} %  {eta}")
        .map(|s| s.progress_chars("=> "));
    if let Ok(style) = style {
        bar.set_style(style);
    }
    bar.set_message(what.to_owned());
    bar
}
