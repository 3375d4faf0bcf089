//! Accounting for every line: each gets exactly one label.

use crate::kinds::Kinds;
use crate::{Format, Kind, Problem};
use leadline_model::escaped;
use std::collections::BTreeMap;

/// Examples kept of each kind of problem.
const EXAMPLES_A_KIND: u8 = 3;
/// Characters of a line shown in an example.
const DETAIL_CHARS: usize = 80;

/// What became of a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// What the content looked like.
    pub format: Format,
    /// Why the content was taken for that, in words.
    pub why: String,
    /// Bytes read.
    pub bytes: u64,
    /// Lines read, blank ones and an unfinished last one included.
    pub lines: u64,
    /// Soundings in all legs together.
    pub soundings: u64,
    /// Lines without a problem, by use.
    pub uses: LineUses,
    /// Lines with a problem, by kind. `lines` is the sum of these and of [`uses`](Self::uses).
    pub problems: BTreeMap<Problem, u64>,
    /// The first few lines of each kind of problem, in line order.
    pub examples: Vec<Example>,
    /// How a table's columns were taken, or what a file that is not read looks like.
    pub reading: Option<String>,
    /// Lines by kind, most frequent first: empty for tables and points.
    pub kinds: Vec<Kind>,
}

/// Lines without a problem, by use.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LineUses {
    /// Gave a sounding, a fix, a time or evidence.
    pub used: u64,
    /// Understood, but nothing in it is needed.
    pub not_needed: u64,
    /// Remarks (`#`).
    pub comments: u64,
    /// Blank.
    pub blank: u64,
}

impl LineUses {
    /// All of them.
    pub fn total(self) -> u64 {
        self.used + self.not_needed + self.comments + self.blank
    }
}

/// One line with a problem.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Example {
    /// Number of the line, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub problem: Problem,
    /// The line or what is known of it, at most 80 characters, escaped.
    pub detail: String,
}

/// The one label of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Label {
    Used,
    NotNeeded,
    Comment,
    Blank,
    Problem(Problem),
}

#[derive(Default)]
pub(crate) struct Account {
    uses: LineUses,
    problems: [u64; Problem::ALL.len()],
    shown: [u8; Problem::ALL.len()],
    examples: Vec<Example>,
    /// See [`Report::reading`].
    reading: Option<String>,
    pub(crate) kinds: Kinds,
}

impl Account {
    pub(crate) fn with_reading(reading: String) -> Self {
        Self { reading: Some(reading), ..Self::default() }
    }

    /// Labels line `number`; `detail` is only asked for when an example is kept.
    pub(crate) fn label(&mut self, label: Label, number: u64, detail: impl FnOnce() -> String) {
        match label {
            Label::Used => self.uses.used += 1,
            Label::NotNeeded => self.uses.not_needed += 1,
            Label::Comment => self.uses.comments += 1,
            Label::Blank => self.uses.blank += 1,
            Label::Problem(problem) => self.problem(problem, number, detail),
        }
    }

    fn problem(&mut self, problem: Problem, line: u64, detail: impl FnOnce() -> String) {
        let kind = problem as usize;
        self.problems[kind] += 1;
        if self.shown[kind] < EXAMPLES_A_KIND {
            self.shown[kind] += 1;
            let detail = shortened(&detail());
            self.examples.push(Example { line, problem, detail });
        }
    }

    /// Adds what another account has, which began before.
    pub(crate) fn take_over(&mut self, earlier: Self) {
        self.uses.used += earlier.uses.used;
        self.uses.not_needed += earlier.uses.not_needed;
        self.uses.comments += earlier.uses.comments;
        self.uses.blank += earlier.uses.blank;
        for (sum, n) in self.problems.iter_mut().zip(earlier.problems) {
            *sum += n;
        }
        for (sum, n) in self.shown.iter_mut().zip(earlier.shown) {
            *sum += n;
        }
        self.examples.splice(0..0, earlier.examples);
    }

    /// Labels a line of a file that is not read.
    pub(crate) fn unread(&mut self, number: u64) {
        let reading = self.reading.take();
        self.problem(Problem::NotALog, number, || {
            format!("looks like {}", reading.as_deref().unwrap_or("no log"))
        });
        self.reading = reading;
    }

    /// A line that was labelled `from` turned out to be a duplicate.
    pub(crate) fn relabel_duplicate(&mut self, from: Label) {
        match from {
            Label::Problem(p) => self.problems[p as usize] -= 1,
            _ => self.uses.used -= 1,
        }
        self.problems[Problem::Duplicate as usize] += 1;
    }

    pub(crate) fn into_report(mut self, format: Format, bytes: u64, lines: u64, soundings: u64) -> Report {
        self.examples.sort_by_key(|e| (e.line, e.problem));
        let problems = Problem::ALL.into_iter().map(|p| (p, self.problems[p as usize]));
        Report {
            format,
            why: String::new(),
            bytes,
            lines,
            soundings,
            uses: self.uses,
            problems: problems.filter(|(_, n)| *n > 0).collect(),
            examples: self.examples,
            reading: self.reading,
            kinds: self.kinds.list(if format == Format::Nmea2000 { "PGN " } else { "" }),
        }
    }
}

/// The beginning of a line as text.
pub(crate) fn excerpt(line: &[u8]) -> String {
    String::from_utf8_lossy(line.get(..4 * DETAIL_CHARS).unwrap_or(line)).into_owned()
}

fn shortened(text: &str) -> String {
    let safe = escaped(text.trim());
    match safe.char_indices().nth(DETAIL_CHARS) {
        Some(_) => safe.chars().take(DETAIL_CHARS - 1).chain(['…']).collect(),
        None => safe,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn examples_are_few_short_and_escaped() {
        let mut account = Account::default();
        for n in 1..10 {
            account.label(Label::Problem(Problem::TornLine), n, || "\u{1b}[31m".repeat(100));
        }
        account.label(Label::Used, 10, || unreachable!("no example of a used line"));
        let report = account.into_report(Format::Nmea0183, 0, 10, 0);
        assert_eq!(report.problems[&Problem::TornLine], 9);
        assert_eq!(report.examples.len(), 3);
        assert_eq!(report.examples[0].detail.chars().count(), 80);
        assert!(!report.examples[0].detail.contains('\u{1b}'));
        assert_eq!(report.uses.total() + 9, report.lines);
    }
}
