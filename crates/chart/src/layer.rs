//! Layers: features with the same columns, in degrees, ready for any vector format.

use crate::degrees::{Degrees, rounded, track};
use geo::{LineString, Polygon};
use leadline_model::{GridPos, LocalFrame, LonLat, UtcMillis};

/// A set of features with the same columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// Short name: lower-case letters, digits and `_`; a table's name in a GeoPackage.
    pub name: &'static str,
    /// What it holds, in words.
    pub title: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its features, in canonical order.
    pub features: Vec<Feature>,
}

/// One column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// Name: lower case with its unit (`depth_m`), or an attribute of S-57 in capitals.
    pub name: &'static str,
    /// What its values are.
    pub kind: Kind,
    /// What it says, in words.
    pub about: &'static str,
}

impl Column {
    /// A column.
    pub const fn new(name: &'static str, kind: Kind, about: &'static str) -> Self {
        Self { name, kind, about }
    }
}

/// What the values of a column are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A measured number, written with so many decimals.
    Number {
        /// How many.
        decimals: u8,
    },
    /// A chosen number such as a contour's level: as many decimals as it needs, at most four.
    Level,
    /// A whole number.
    Whole,
    /// Words; escaped by the writers.
    Text,
    /// A moment, UTC.
    Time,
    /// Yes or no.
    Flag,
}

/// One thing on the map.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// Where it is.
    pub shape: Shape,
    /// One value a column.
    pub values: Vec<Value>,
}

/// A geometry in degrees, WGS 84, longitudes −180 to 180, cut at the antimeridian. Make it with the functions
/// below, which round to 1e-7° and cut.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// One place.
    Point(LonLat),
    /// Lines of two places or more.
    Lines(Vec<Vec<LonLat>>),
    /// Polygons, each of closed rings: the outer one first, counter-clockwise; holes clockwise.
    Areas(Vec<Vec<Vec<LonLat>>>),
}

impl Shape {
    /// The middle of a place on the grid.
    pub fn place(at: GridPos) -> Self {
        Self::Point(rounded(at.lonlat()))
    }

    /// A point given in degrees.
    pub fn point(at: LonLat) -> Self {
        Self::Point(rounded(at))
    }

    /// Lines given in metres of `frame`.
    pub fn lines<'a>(frame: &LocalFrame, lines: impl IntoIterator<Item = &'a LineString<f64>>) -> Self {
        let degrees = Degrees::new(frame);
        Self::Lines(lines.into_iter().flat_map(|l| degrees.line(l)).collect())
    }

    /// Polygons given in metres of `frame`, outer rings counter-clockwise.
    pub fn areas<'a>(frame: &LocalFrame, polygons: impl IntoIterator<Item = &'a Polygon<f64>>) -> Self {
        let degrees = Degrees::new(frame);
        Self::Areas(polygons.into_iter().flat_map(|p| degrees.polygon(p)).collect())
    }

    /// One line given in degrees.
    pub fn track(line: &[LonLat]) -> Self {
        Self::Lines(track(line))
    }

    /// Nothing to draw.
    pub fn is_empty(&self) -> bool {
        match self {
            Self::Point(_) => false,
            Self::Lines(l) => l.is_empty(),
            Self::Areas(a) => a.is_empty(),
        }
    }
}

/// The value of one column.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number; what is no number is written as unknown.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// Words.
    Text(String),
    /// A moment.
    Time(UtcMillis),
    /// Yes or no.
    Flag(bool),
    /// Not known, or without a limit.
    Unknown,
}

impl Layer {
    /// A layer without features.
    pub fn new(name: &'static str, title: &str, columns: &[Column]) -> Self {
        Self { name, title: title.to_owned(), columns: columns.to_vec(), features: Vec::new() }
    }

    /// Adds a feature; one without any geometry is left out.
    pub fn push(&mut self, shape: Shape, values: Vec<Value>) {
        debug_assert_eq!(values.len(), self.columns.len(), "{}: one value a column", self.name);
        if !shape.is_empty() {
            self.features.push(Feature { shape, values });
        }
    }

    /// The same without the columns `names`.
    #[must_use]
    pub fn without(mut self, names: &[&str]) -> Self {
        let keep: Vec<bool> = self.columns.iter().map(|c| !names.contains(&c.name)).collect();
        let mut at = keep.iter();
        self.columns.retain(|_| at.next().copied().unwrap_or(true));
        for f in &mut self.features {
            let mut at = keep.iter();
            f.values.retain(|_| at.next().copied().unwrap_or(true));
        }
        self
    }
}

#[cfg(test)]
mod tests;
