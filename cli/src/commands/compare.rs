//! `compare`: what changed between two dates, or what two boats disagree on.

use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::files::{VectorFormat, write_layers};
use crate::{shapes, talk, units};
use leadline_chart::{
    Banded, Called, Change, ChartInfo, Comparison, Moved, Patch, Sides, Surface, Total, Water, change_layers,
    change_svg, compare,
};
use leadline_model::{Text, UtcMillis};
use leadline_survey::{Computed, Only, Store};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Patches told in text; all are in the JSON.
const MOST_TOLD: usize = 12;

/// `compare`
#[derive(Debug, clap::Args)]
pub(crate) struct CompareArgs {
    /// The earlier side: soundings before this day or time (UTC)
    #[arg(long, value_name = "DATE", conflicts_with_all = ["split", "boats", "years"], requires = "after")]
    pub before: Option<String>,
    /// The later side: soundings from this day or time on
    #[arg(long, value_name = "DATE", requires = "before")]
    pub after: Option<String>,
    /// One day or time that parts both sides
    #[arg(long, value_name = "DATE", conflicts_with_all = ["boats", "years"])]
    pub split: Option<String>,
    /// Two boats: how much deeper the second says it is
    #[arg(long, value_name = "A,B", conflicts_with = "years")]
    pub boats: Option<String>,
    /// Each calendar year (UTC) with the one before it that has soundings
    #[arg(long)]
    pub years: bool,
    /// Only inside a drawn area: a GeoJSON polygon, or a CSV file of corners with columns lon and lat
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// Height of the water above the sounding datum, metres: which changes are worth a report depends on the depth
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Take off what all of the ground has in common, such as a wrong stage
    #[arg(long)]
    pub shift_off: bool,
    /// A picture (.png, .svg), or the squares and patches as data
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// One side that was asked for.
struct Asked {
    only: Only,
    words: String,
}

/// Two sides, and what tells their file from others.
struct Pair {
    before: Asked,
    after: Asked,
    suffix: Option<String>,
}

pub(crate) fn run(cli: &Cli, a: &CompareArgs) -> Result<(), Failure> {
    let kind = a.output.as_deref().map(Kind::of).transpose()?;
    let stage_m = units::stage(a.stage)?;
    let (_, store) = open(cli)?;
    let area = a.area.as_deref().map(shapes::area).transpose()?;
    let mut told = Vec::new();
    for pair in pairs(a, &store)? {
        let [before, after] = [side(&store, &pair.before)?, side(&store, &pair.after)?];
        let water = match &area {
            Some(ring) => Water::drawn(ring),
            None => Water::around(&[&before.reduced.cells[..], &after.reduced.cells].concat()),
        };
        let [x, y] = [&before, &after].map(|c| chart::surface(cli, c));
        let change = compare(&x, &y, &water, stage_m, a.shift_off);
        if change.squares.is_empty() {
            return Err(Failure::Input(nothing_common(&pair, &x, &y)));
        }
        let mut info = chart::info(cli, &store, &before, a.stage)?;
        info.passes.extend(after.reduced.passes.iter().cloned());
        info.newest = info.newest.max(after.reduced.cells.iter().map(|c| c.newest).max());
        let called = if a.boats.is_some() { Called::FirstSecond } else { Called::EarlierLater };
        let sides = Sides { before: words(&pair.before, &before), after: words(&pair.after, &after), called };
        let path = a.output.as_deref().map(|p| named(p, pair.suffix.as_deref()));
        if let Some((path, kind)) = path.as_deref().zip(kind) {
            write(path, kind, &change, &sides, &info)?;
        }
        if cli.json {
            told.push(as_json(&change, [&before, &after], &sides, path.as_deref()));
        } else {
            say(cli, &change, &sides, path.as_deref())?;
        }
    }
    if cli.json { talk::json(&json!({"stage_m": stage_m, "comparisons": told})) } else { Ok(()) }
}

#[derive(Clone, Copy)]
enum Kind {
    Picture(chart::Kind),
    Layers(VectorFormat),
}

impl Kind {
    fn of(path: &Path) -> Result<Self, Failure> {
        let data = VectorFormat::of(path).map(Self::Layers);
        chart::Kind::of(path).map(Self::Picture).or(data).map_err(|_| {
            Failure::Input(format!(
                "{}: name it .png or .svg for a picture, .geojson, .kml, .gpkg or .csv for the data",
                path.display()
            ))
        })
    }
}

fn write(
    path: &Path,
    kind: Kind,
    change: &Comparison,
    sides: &Sides,
    info: &ChartInfo,
) -> Result<(), Failure> {
    match kind {
        Kind::Picture(kind) => chart::write(path, kind, &change_svg(change, sides, info)),
        Kind::Layers(format) => {
            let mut layers = change_layers(change, sides, info.stage_m);
            if matches!(format, VectorFormat::Csv | VectorFormat::Xyz) {
                // A table has room for the squares alone.
                layers.truncate(1);
            }
            write_layers(path, &layers, info)
        }
    }
}

/// `path`, or with the pair's suffix before the extension.
fn named(path: &Path, suffix: Option<&str>) -> PathBuf {
    let (Some(suffix), Some(stem)) = (suffix, path.file_stem().and_then(|s| s.to_str())) else {
        return path.to_owned();
    };
    let end = path.extension().and_then(|e| e.to_str()).map(|e| format!(".{e}")).unwrap_or_default();
    path.with_file_name(format!("{stem}-{suffix}{end}"))
}

/// What is to be compared.
fn pairs(a: &CompareArgs, store: &Store) -> Result<Vec<Pair>, Failure> {
    if a.years {
        return years(store);
    }
    if let Some(boats) = &a.boats {
        return Ok(vec![two_boats(boats)?]);
    }
    let (before, after) = match (&a.split, &a.before, &a.after) {
        (Some(split), _, _) => {
            let t = date("--split", split)?;
            (t, t)
        }
        (None, Some(before), Some(after)) => (date("--before", before)?, date("--after", after)?),
        _ => {
            return Err(Failure::Input(
                "what to compare with what? Give --split DATE, --before DATE --after DATE, --boats A,B or --years".into(),
            ));
        }
    };
    if after < before {
        return Err(Failure::Input(format!(
            "--after {after} lies before --before {before}: soundings between them would be on both sides"
        )));
    }
    let early = Only { before: Some(before), ..Only::default() };
    let late = Only { from: Some(after), ..Only::default() };
    Ok(vec![Pair {
        before: Asked { only: early, words: format!("soundings before {}", before.minute_text()) },
        after: Asked { only: late, words: format!("soundings from {} on", after.minute_text()) },
        suffix: None,
    }])
}

fn two_boats(text: &str) -> Result<Pair, Failure> {
    let bad = || {
        Failure::Input(format!("--boats {text}: two names with a comma between them, such as Heron,Plover"))
    };
    let (a, b) = text.split_once(',').ok_or_else(bad)?;
    let boat = |name: &str| {
        let boat = Text::new(name).map_err(|_| bad())?;
        let words = format!("boat {boat}");
        Ok::<_, Failure>(Asked { only: Only { boat: Some(boat), ..Only::default() }, words })
    };
    let (before, after) = (boat(a)?, boat(b)?);
    if before.only == after.only || b.contains(',') {
        return Err(bad());
    }
    Ok(Pair { before, after, suffix: None })
}

fn years(store: &Store) -> Result<Vec<Pair>, Failure> {
    let windows = store.windows()?;
    let years: BTreeSet<i32> = windows.into_iter().map(|w| w.start().date().0).collect();
    let list: Vec<i32> = years.into_iter().collect();
    let asked = |y: i32| {
        let start = |y| UtcMillis::from_civil(y, 1, 1, 0, 0, 0, 0);
        let only = Only { from: start(y), before: start(y + 1), ..Only::default() };
        Asked { only, words: format!("soundings of {y}") }
    };
    let pair = |w: &[i32]| Pair {
        before: asked(w[0]),
        after: asked(w[1]),
        suffix: Some(format!("{}-{}", w[0], w[1])),
    };
    if list.len() < 2 {
        return Err(Failure::Input(match list.first() {
            Some(y) => format!("all soundings are of {y}: no two years to compare; try --split DATE"),
            None => NO_DEPTHS.to_owned(),
        }));
    }
    Ok(list.windows(2).map(pair).collect())
}

const NO_DEPTHS: &str = "no depths yet; begin with: leadline import FILE --boat NAME";

/// A day (its midnight, UTC) or a time.
fn date(what: &str, text: &str) -> Result<UtcMillis, Failure> {
    let day = text.trim();
    if day.len() == 10 && !day.contains(':') {
        return units::time(what, &format!("{day}T00:00Z"));
    }
    units::time(what, text)
}

/// The soundings of one side; none is a refusal that says what there is.
fn side(store: &Store, asked: &Asked) -> Result<Computed, Failure> {
    let computed = store.compute_of(&asked.only)?;
    if !computed.reduced.cells.is_empty() {
        return Ok(computed);
    }
    let all = store.compute()?.reduced.passes;
    let (Some(first), Some(last)) = (all.iter().map(|p| p.first).min(), all.iter().map(|p| p.last).max())
    else {
        return Err(Failure::Input(NO_DEPTHS.to_owned()));
    };
    let boats: BTreeSet<String> = all.iter().map(|p| p.boat.to_string()).collect();
    Err(Failure::Input(format!(
        "no accepted depths on the side \"{}\". The survey has soundings from {} to {}, by {}",
        asked.words,
        first.minute_text(),
        last.minute_text(),
        boats.into_iter().collect::<Vec<_>>().join(", ")
    )))
}

fn nothing_common(pair: &Pair, before: &Surface, after: &Surface) -> String {
    for (side, surface) in [(&pair.before, before), (&pair.after, after)] {
        if let Some(why) = surface.blank_reason() {
            return format!("{}: {why}", side.words);
        }
    }
    "both sides are known, but nowhere both at once; drive again where the earlier tracks are, or draw another --area"
        .to_owned()
}

/// What was asked for and what there is.
fn words(asked: &Asked, c: &Computed) -> String {
    let passes = &c.reduced.passes;
    let boats: BTreeSet<String> = passes.iter().map(|p| p.boat.to_string()).collect();
    let day = |t: Option<UtcMillis>| t.map(UtcMillis::date_text).unwrap_or_default();
    let (first, last) = (day(passes.iter().map(|p| p.first).min()), day(passes.iter().map(|p| p.last).max()));
    let days = if first == last { first } else { format!("{first} to {last}") };
    let n = passes.len();
    let what = if n == 1 { "pass" } else { "passes" };
    format!("{} ({n} {what}, {days}, {})", asked.words, boats.into_iter().collect::<Vec<_>>().join(", "))
}

fn say(cli: &Cli, c: &Comparison, sides: &Sides, path: Option<&Path>) -> Result<(), Failure> {
    let depth = |m: f64| cli.units.depth(m);
    let [first, second] = sides.called.words();
    talk::say(&format!("{first}: {}\n{second}: {}", sides.before, sides.after))?;
    let common = c.common_m2();
    talk::say(&format!(
        "Known by both: {common:.0} m² (only {}: {:.0} m², only {}: {:.0} m²). Change proven on {:.1} % of it.",
        first.to_lowercase(),
        c.only_before_m2,
        second.to_lowercase(),
        c.only_after_m2,
        100.0 * c.proven_m2() / common
    ))?;
    talk::say(&shift_words(cli, c))?;
    for kind in [Change::Scour, Change::Fill] {
        let t = c.total(kind);
        if t.patches > 0 {
            talk::say(&format!(
                "{}: {} patches, {:.0} m², {}",
                kind.word(),
                t.patches,
                t.area_m2,
                volume_words(t.volume_m3)
            ))?;
        }
    }
    for (i, p) in c.patches.iter().take(MOST_TOLD).enumerate() {
        talk::say(&format!("{:>4}  {}", i + 1, patch_words(p, &depth)))?;
    }
    if c.patches.len() > MOST_TOLD {
        talk::say(&format!("      and {} smaller", c.patches.len() - MOST_TOLD))?;
    }
    for m in &c.moved {
        talk::say(&format!(
            "{} and {}: a bar may have moved {:.0} m toward {:.0}°",
            m.from + 1,
            m.to + 1,
            m.distance_m,
            m.toward_deg
        ))?;
    }
    if c.patches.is_empty() {
        talk::say("No patch of change is proven.")?;
    }
    path.map_or(Ok(()), |p| talk::say(&p.display().to_string()))?;
    talk::say("")
}

fn patch_words(p: &Patch, depth: &dyn Fn(f64) -> String) -> String {
    let at = p.most_at.lonlat();
    let notes =
        [(p.notable, ", worth a report (IHO C-13)"), (p.goes_with_shift, ", goes with the common shift")];
    let notes: String = notes.iter().filter(|n| n.0).map(|n| n.1).collect();
    format!(
        "{:<5} {:.0} m², {}, most {} ± {} at {:.6},{:.6}{notes}",
        p.kind.word(),
        p.area_m2,
        volume_words(p.volume_m3),
        depth(p.most_m),
        depth(p.most95_m),
        at.lon,
        at.lat
    )
}

fn volume_words(v: Banded) -> String {
    format!("{:.0} m³ (95 %: {:.0} to {:.0})", v.best, v.low, v.high)
}

fn shift_words(cli: &Cli, c: &Comparison) -> String {
    let depth = |m: f64| cli.units.depth(m);
    let Some(s) = c.shift else {
        return "Too little common ground to tell a shift that all of it shares.".to_owned();
    };
    let what = format!(
        "Common to all of it: {} ± {} (the stated uncertainties allow ± {})",
        depth(s.shift_m),
        depth(s.shift95_m),
        depth(s.allowed95_m)
    );
    let next = if c.shift_off {
        "; taken off"
    } else if s.is_beyond() {
        ": one side has a wrong level, or the whole bed changed. See leadline level; --shift-off looks past it"
    } else if s.is_real() {
        ": it may be a stage or a draft; --shift-off looks past it"
    } else {
        ": no more than chance"
    };
    what + next
}

fn as_json(c: &Comparison, computed: [&Computed; 2], sides: &Sides, path: Option<&Path>) -> Value {
    let total =
        |t: Total| json!({"patches": t.patches, "area_m2": t.area_m2, "volume_m3": banded(t.volume_m3)});
    let shift = c.shift.map(|s| {
        json!({
            "shift_m": s.shift_m, "shift95_m": s.shift95_m, "allowed95_m": s.allowed95_m, "blocks": s.blocks,
            "more_than_chance": s.is_real(), "beyond_levels": s.is_beyond(),
        })
    });
    json!({
        "before": side_json(computed[0], &sides.before), "after": side_json(computed[1], &sides.after),
        "common_m2": c.common_m2(), "only_before_m2": c.only_before_m2, "only_after_m2": c.only_after_m2,
        "proven_m2": c.proven_m2(), "specks_m2": c.specks_m2, "square_cells": c.side_cells,
        "shift": shift, "shift_off": c.shift_off,
        "scour": total(c.total(Change::Scour)), "fill": total(c.total(Change::Fill)),
        "patches": c.patches.iter().map(patch_json).collect::<Vec<_>>(),
        "moved": c.moved.iter().map(moved_json).collect::<Vec<_>>(),
        "path": path,
    })
}

fn side_json(c: &Computed, words: &str) -> Value {
    let passes = &c.reduced.passes;
    json!({
        "words": words, "passes": passes.len(), "cells": c.reduced.cells.len(),
        "first_utc": passes.iter().map(|p| p.first).min().map(|t| t.to_string()),
        "last_utc": passes.iter().map(|p| p.last).max().map(|t| t.to_string()),
    })
}

fn patch_json(p: &Patch) -> Value {
    let place = |at: leadline_model::GridPos| {
        let l = at.lonlat();
        json!([l.lon, l.lat])
    };
    json!({
        "kind": p.kind.word(), "area_m2": p.area_m2, "proven_m2": p.proven_m2,
        "volume_m3": banded(p.volume_m3), "mean_m": p.mean_m, "most_m": p.most_m, "most95_m": p.most95_m,
        "most_at": place(p.most_at), "centre": place(p.centre), "shoalest_after_m": p.shoalest_after_m,
        "notable": p.notable, "goes_with_shift": p.goes_with_shift,
    })
}

fn banded(v: Banded) -> Value {
    json!({"best": v.best, "low95": v.low, "high95": v.high})
}

fn moved_json(m: &Moved) -> Value {
    json!({"from": m.from, "to": m.to, "distance_m": m.distance_m, "toward_deg": m.toward_deg})
}
