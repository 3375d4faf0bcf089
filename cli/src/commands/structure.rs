//! `structure`: humps, holes, ledges, channel lines and saddles of the bed.

use super::{chart, open};
use crate::args::Cli;
use crate::failure::Failure;
use crate::{shapes, talk, units};
use clap::{Args, ValueEnum};
use leadline_chart::{
    ChartInfo, DEFAULT_LONG_SIDE_PX, Form, FormKind, Scale, Structure, Surface, Wanted, chart_png, numbered,
    structure, structure_svg,
};
use leadline_model::{CAUTION, PRODUCT, escaped};
use leadline_survey::replace_file;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Forms of each kind that are told when nobody says how many.
const USUAL_MOST: usize = 10;
/// More than anybody reads.
const MOST: usize = 1_000;

/// `structure`
#[derive(Debug, Args)]
pub(crate) struct StructureArgs {
    /// Only these kinds
    #[arg(long, value_enum, value_name = "KIND", value_delimiter = ',')]
    pub kind: Vec<KindArg>,
    /// As fine as the tracks resolve, averaged over about 50 m, or both
    #[arg(long, value_enum, value_name = "SCALE", default_value = "both")]
    pub scale: ScaleArg,
    /// Most of each kind: those with the greatest relief
    #[arg(long, value_name = "N", default_value_t = USUAL_MOST)]
    pub most: usize,
    /// Only inside a drawn area: a GeoJSON polygon, or a CSV file of corners with columns lon and lat
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// Water level that depths are told for, metres above the sounding datum
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// The forms for other programs (.geojson), or a small map of them (.png, .svg)
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Kinds of form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum KindArg {
    /// Shoaler than all around
    Hump,
    /// Deeper than all around
    Hole,
    /// Where the bed falls faster than on both sides
    Ledge,
    /// The deepest line between two banks
    Channel,
    /// The deepest way between two humps, the shoalest place between two holes
    Saddle,
}

/// Scales.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ScaleArg {
    /// As fine as the tracks resolve
    Fine,
    /// Averaged over about 50 m
    Broad,
    /// Both
    Both,
}

impl KindArg {
    fn kind(self) -> FormKind {
        match self {
            Self::Hump => FormKind::Hump,
            Self::Hole => FormKind::Hole,
            Self::Ledge => FormKind::Ledge,
            Self::Channel => FormKind::Channel,
            Self::Saddle => FormKind::Saddle,
        }
    }
}

pub(crate) fn run(cli: &Cli, a: &StructureArgs) -> Result<(), Failure> {
    let stage_m = units::stage(a.stage)?;
    if !(1..=MOST).contains(&a.most) {
        return Err(Failure::Input(format!("--most {}: between 1 and {MOST}", a.most)));
    }
    let wanted = Wanted {
        kinds: a.kind.iter().map(|k| k.kind()).collect(),
        scale: match a.scale {
            ScaleArg::Fine => Some(Scale::Fine),
            ScaleArg::Broad => Some(Scale::Broad),
            ScaleArg::Both => None,
        },
        most: Some(a.most),
        area: a.area.as_deref().map(shapes::area).transpose()?,
    };
    let (_, store) = open(cli)?;
    let computed = store.compute()?;
    let cells = &computed.reduced.cells;
    if cells.is_empty() {
        return Err(Failure::Input("no depths yet; begin with: leadline import FILE --boat NAME".to_owned()));
    }
    let surface = chart::surface(cli, &computed);
    if let Some(reason) = surface.blank_reason() {
        return Err(Failure::Input(format!("no forms of the bed: {reason}")));
    }
    let mut info = chart::info(cli, &store, &computed, a.stage)?;
    info.stage_m = stage_m;
    let found = structure(&surface).choose(&wanted);
    if let Some(path) = &a.output {
        write(path, &surface, &found, &info)?;
    }
    if cli.json {
        return talk::json(&as_json(&found, stage_m, a.output.as_deref()));
    }
    say(cli, &found, stage_m)?;
    talk::say(&format!("\nDepths: {}.", units::stage_words(a.stage, cli)))?;
    talk::say(&doubt_words(&found))?;
    a.output.as_ref().map_or(Ok(()), |path| talk::say(&format!("\n{}", path.display())))
}

/// A picture or GeoJSON, whole or not at all.
fn write(path: &Path, surface: &Surface, found: &Structure, info: &ChartInfo) -> Result<(), Failure> {
    let bytes = match path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("png") => chart_png(&structure_svg(surface, found, info), DEFAULT_LONG_SIDE_PX)
            .map_err(|e| Failure::Input(e.to_string()))?,
        Some("svg") => structure_svg(surface, found, info).into_bytes(),
        Some("geojson" | "json") => geojson(surface, found, info).to_string().into_bytes(),
        _ => return Err(Failure::Input(format!("{}: name it .geojson, .png or .svg", path.display()))),
    };
    Ok(replace_file(path, &bytes)?)
}

/// One feature a form (RFC 7946): a line for ledges and channels, a point for the others, and one more feature for the
/// outline of a hump or hole. Lines are parted at the antimeridian, outlines over it are left out.
fn geojson(surface: &Surface, s: &Structure, info: &ChartInfo) -> Value {
    let mut features = Vec::new();
    for (n, f) in numbered(&s.forms) {
        let mut properties = measures(n, f, info.stage_m);
        properties["name"] = json!(format!("{} {n}", f.kind.word()));
        let mut add = |kind: &str, places: Value| {
            features.push(json!({
                "type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": places},
            }));
        };
        if f.line.is_empty() {
            add("Point", lonlat(s, &f.at));
        } else {
            let places: Vec<Value> = f.line.iter().map(|p| lonlat(s, p)).collect();
            let lines: Vec<&[Value]> =
                places.chunk_by(|a, b| !parted(a, b)).filter(|l| l.len() > 1).collect();
            add("MultiLineString", json!(lines));
        }
        let closed = |ring: &Vec<[f64; 2]>| ring.iter().chain(ring.first()).map(|p| lonlat(s, p)).collect();
        let rings: Vec<Vec<Value>> = f.outline.iter().map(closed).collect();
        if !rings.is_empty() && !rings.iter().flat_map(|r| r.windows(2)).any(|w| parted(&w[0], &w[1])) {
            add("Polygon", json!(rings));
        }
    }
    let mut boats: Vec<String> = info.passes.iter().map(|p| escaped(p.boat.as_str())).collect();
    boats.sort_unstable();
    boats.dedup();
    json!({
        "type": "FeatureCollection",
        "leadline": {
            "product": PRODUCT, "contents": "forms of the bed", "survey": escaped(&info.survey),
            "datum": escaped(&info.datum), "stage_m": info.stage_m, "stage": escaped(&info.stage_text),
            "newest_utc": surface.newest().map(|t| t.to_string()), "boats": boats, "caution": CAUTION,
        },
        "features": features,
    })
}

/// Whether the antimeridian lies between two places.
fn parted(a: &Value, b: &Value) -> bool {
    a[0].as_f64().zip(b[0].as_f64()).is_some_and(|(a, b)| (a - b).abs() > 180.0)
}

fn say(cli: &Cli, s: &Structure, stage_m: f64) -> Result<(), Failure> {
    if s.forms.is_empty() {
        return talk::say("Nothing here rises, falls or winds by more than the depths' own uncertainty.");
    }
    let (unit, name) = cli.units.factor();
    talk::say(&format!(
        "{:<11} {:>12} {:>14} {:>12} {:>7}  {:<21} {:<6} {}",
        "form",
        format!("depth, {name}"),
        format!("relief, {name}"),
        "size, m",
        "slope",
        "at",
        "grade",
        "remarks"
    ))?;
    for (n, f) in numbered(&s.forms) {
        let (shoal, deep) = ((f.shoal_m + stage_m) / unit, (f.deep_m + stage_m) / unit);
        let at = s.frame.lonlat(f.at[0], f.at[1]);
        talk::say(&format!(
            "{:<11} {:>12} {:>14} {:>12} {:>7}  {:<21} {:<6} {}",
            format!("{} {n}", f.kind.word()),
            depths(f.kind, shoal, deep),
            format!("{:.2} ± {:.2}", f.relief_m / unit, f.relief95_m / unit),
            format!("{:.0} x {:.0}", f.length_m, f.width_m),
            format!("{:.0} %", 100.0 * f.fall),
            format!("{:.5},{:.5}", at.lon, at.lat),
            f.grade.word(),
            remarks(f),
        ))?;
    }
    Ok(())
}

/// The depth that matters for the kind.
fn depths(kind: FormKind, shoal: f64, deep: f64) -> String {
    match kind {
        FormKind::Hump | FormKind::Saddle => format!("{shoal:.1}"),
        FormKind::Hole => format!("{deep:.1}"),
        FormKind::Ledge | FormKind::Channel => format!("{shoal:.1} to {deep:.1}"),
    }
}

fn remarks(f: &Form) -> String {
    let mut words = Vec::new();
    if f.disputed {
        words.push("soundings disagree: weed, or a moved bed?".to_owned());
    }
    if f.open {
        words.push("goes on beyond the soundings".to_owned());
    }
    if f.visits == 1 && f.kind != FormKind::Saddle {
        words.push("seen on one line only".to_owned());
    }
    if f.scale != Scale::Both {
        words.push(format!("{} only", f.scale.word()));
    }
    words.join("; ")
}

/// What was asked of a form to be told.
fn doubt_words(s: &Structure) -> String {
    let d = s.doubt;
    let share = if d.pairs == 0 {
        "no place was visited twice, so the whole band counts".to_owned()
    } else {
        format!("{:.0} % of it counts, by {} places visited twice", 100.0 * d.share, d.pairs)
    };
    format!(
        "Seen every {:.0} m and every {:.0} m; tracks are usually {:.0} m apart. Told is only what stands out of the soundings' own band (usually ±{:.2} m; {share}).",
        s.steps_m[0], s.steps_m[1], d.gap_m, d.usual_m
    )
}

fn lonlat(s: &Structure, p: &[f64; 2]) -> Value {
    let at = s.frame.lonlat(p[0], p[1]);
    json!([round(at.lon, 7), round(at.lat, 7)])
}

/// The figures of a form.
fn measures(n: usize, f: &Form, stage_m: f64) -> Value {
    json!({
        "kind": f.kind.word(), "number": n, "scale": f.scale.word(),
        "shoal_m": round(f.shoal_m + stage_m, 3), "deep_m": round(f.deep_m + stage_m, 3),
        "relief_m": round(f.relief_m, 3), "relief95_m": round(f.relief95_m, 3),
        "length_m": round(f.length_m, 1), "width_m": round(f.width_m, 1),
        "area_m2": f.area_m2.map(|a| round(a, 0)), "slope": round(f.fall, 4),
        "bearing_deg": round(f.bearing_deg, 1), "index_m": f.index_m.map(|i| round(i, 3)),
        "grade": f.grade.word(), "visits": f.visits, "open": f.open, "disputed": f.disputed,
        "newest_utc": f.newest.to_string(),
    })
}

fn as_json(s: &Structure, stage_m: f64, path: Option<&Path>) -> Value {
    let places = |line: &[[f64; 2]]| line.iter().map(|p| lonlat(s, p)).collect::<Vec<Value>>();
    let forms: Vec<Value> = numbered(&s.forms)
        .map(|(n, f)| {
            let mut form = measures(n, f, stage_m);
            form["at"] = lonlat(s, &f.at);
            form["line"] = json!(places(&f.line));
            form["outline"] = json!(f.outline.iter().map(|r| places(r)).collect::<Vec<_>>());
            form
        })
        .collect();
    json!({
        "forms": forms, "stage_m": stage_m, "steps_m": s.steps_m, "gap_m": s.doubt.gap_m,
        "share": s.doubt.share, "pairs": s.doubt.pairs, "usual_tvu95_m": s.doubt.usual_m, "path": path,
    })
}

fn round(v: f64, decimals: i32) -> f64 {
    let ten = 10f64.powi(decimals);
    (v * ten).round() / ten
}
