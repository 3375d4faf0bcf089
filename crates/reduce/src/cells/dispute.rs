//! Visits that disagree: which competing depths there are, which one is believed, and why.

use super::visit::Visit;
use crate::budget::ONE_DIMENSION_95;
use leadline_model::{CellId, UtcMillis};

/// Why visits of one cell disagree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// The shoaler depth looks like weed: scattered, or of another season than the deeper one.
    Weed,
    /// The newer passes agree with each other and not with the older ones.
    MovedBed,
    /// A whole pass lies higher or lower than the others.
    WrongLevel,
    /// People decided both ways.
    Verdicts,
    /// Nothing tells.
    Unexplained,
}

impl Why {
    /// All reasons.
    pub const ALL: [Self; 5] =
        [Self::Weed, Self::MovedBed, Self::WrongLevel, Self::Verdicts, Self::Unexplained];

    /// The word in files and JSON.
    pub fn code(self) -> &'static str {
        match self {
            Self::Weed => "weed",
            Self::MovedBed => "moved-bed",
            Self::WrongLevel => "wrong-level",
            Self::Verdicts => "verdicts",
            Self::Unexplained => "unexplained",
        }
    }

    /// What people read.
    pub fn words(self) -> &'static str {
        match self {
            Self::Weed => "weed against bottom: the deeper depth is believed, the shoaler one stays a danger",
            Self::MovedBed => "the bed moved: the newer passes agree and are believed",
            Self::WrongLevel => "a whole pass lies off: level it, or check its stage and draft",
            Self::Verdicts => "people decided both ways: the shoaler depth holds until someone settles it",
            Self::Unexplained => "nothing tells which is right: the mean, with a band over both",
        }
    }
}

/// One of the competing depths of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    /// Metres below the sounding datum.
    pub depth_m: f64,
    /// Uncertainty, 95 %, metres.
    pub tvu95_m: f64,
    /// Passes that say so.
    pub passes: u32,
    /// Their soundings.
    pub soundings: u32,
    /// The oldest of these visits, and the newest.
    pub first: UtcMillis,
    /// The newest.
    pub newest: UtcMillis,
    /// The map shows this one.
    pub believed: bool,
}

/// A disputed cell.
#[derive(Clone, Debug, PartialEq)]
pub struct Dispute {
    /// Which.
    pub cell: CellId,
    /// Why, as far as the soundings tell.
    pub why: Why,
    /// The competing depths, shoalest first.
    pub rivals: Vec<Rival>,
}

/// A scatter at least this large is weed-like, metres at 95 % (judgement)…
const WEEDY_M: f64 = 0.20;
/// … and at least this many times the scatter of what lies deeper.
const WEEDY_TIMES: f64 = 2.0;
/// Visits this far apart are of different seasons, ms (45 days).
const SEASON_MS: i64 = 45 * 86_400_000;

/// Groups of visits that agree among neighbours in depth, shoalest first; indices into `visits`.
pub(crate) fn groups(visits: &[Visit]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..visits.len()).collect();
    let depth = |i: &usize| visits.get(*i).map_or(0.0, |v| v.depth);
    order.sort_by(|a, b| depth(a).total_cmp(&depth(b)).then(a.cmp(b)));
    // The more pairs there are, the likelier one differs by chance: 1.96 of one pair, 2.9 of ten (judgement: √(1.96² + 2 ln n)).
    let pairs = (visits.len() * visits.len().saturating_sub(1) / 2).max(1) as f64;
    let sigmas = (ONE_DIMENSION_95 * ONE_DIMENSION_95 + 2.0 * libm::log(pairs)).sqrt();
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in order {
        let joins = groups.last().and_then(|g| g.last()).and_then(|last| {
            let (a, b) = (visits.get(*last)?, visits.get(i)?);
            Some((b.depth - a.depth) <= sigmas * a.variance_against(b).sqrt())
        });
        match groups.last_mut() {
            Some(group) if joins == Some(true) => group.push(i),
            _ => groups.push(vec![i]),
        }
    }
    groups
}

/// Why `groups` (two or more, shoalest first) compete, and which is believed.
pub(crate) fn judge(visits: &[Visit], groups: &[Vec<usize>]) -> (Why, Option<usize>) {
    if let Some(i) = moved(visits, groups) {
        return (Why::MovedBed, Some(i));
    }
    if weedy(visits, groups) {
        return (Why::Weed, Some(groups.len() - 1));
    }
    (Why::Unexplained, None)
}

/// The newest group, if all its passes are newer than all others and there are at least two of them.
fn moved(visits: &[Visit], groups: &[Vec<usize>]) -> Option<usize> {
    let span = |g: &Vec<usize>| {
        let of = || g.iter().filter_map(|i| visits.get(*i));
        Some((of().map(|v| v.first).min()?, of().map(|v| v.newest).max()?))
    };
    let spans: Vec<_> = groups.iter().map(span).collect::<Option<_>>()?;
    let (newest, start) = spans.iter().enumerate().map(|(i, s)| (i, s.0)).max_by_key(|(i, t)| (*t, *i))?;
    let later = spans.iter().enumerate().all(|(i, s)| i == newest || s.1 < start);
    let days = |g: &Vec<usize>| {
        let mut days: Vec<i64> = g.iter().filter_map(|i| visits.get(*i)).map(|v| v.day).collect();
        days.sort_unstable();
        days.dedup();
        days.len()
    };
    let agreed = groups.get(newest).is_some_and(|g| g.len() >= 2 && days(g) >= 2);
    (later && agreed).then_some(newest)
}

/// Everything but the deepest group is scattered like weed, or of another season than the deepest.
fn weedy(visits: &[Visit], groups: &[Vec<usize>]) -> bool {
    let Some((deep, shoal)) = groups.split_last() else { return false };
    let of = |g: &[usize]| g.iter().filter_map(|i| visits.get(*i)).collect::<Vec<_>>();
    let scatter = |g: &[&Visit]| {
        let n = g.len().max(1) as f64;
        ONE_DIMENSION_95 * (g.iter().map(|v| v.during).sum::<f64>() / n).sqrt()
    };
    let deep = of(deep);
    let calm = scatter(&deep);
    shoal.iter().all(|g| {
        let g = of(g);
        let scattered = scatter(&g) >= WEEDY_M && scatter(&g) >= WEEDY_TIMES * calm;
        let other_season = g
            .iter()
            .all(|s| deep.iter().all(|d| s.first.0.saturating_sub(d.first.0).saturating_abs() >= SEASON_MS));
        // A season alone may be a wrong level: some scatter must be there, too.
        scattered || (other_season && scatter(&g) >= 1.2 * calm && scatter(&g) >= 0.5 * WEEDY_M)
    })
}
