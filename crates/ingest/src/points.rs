//! Files of points that are no lines: GPX tracks with a depth at each point, GeoJSON points. Each point becomes a row
//! of a table, so that the rules of tables hold for it: names of columns, units, ranges.

mod geojson;
mod gpx;

use crate::account::{Account, Label};
use crate::csv::{CsvLog, Table};
use crate::{Options, Problem};

/// Longest text of one point, bytes.
const MAX_POINT_BYTES: usize = 64 << 10;

/// A point's values, by name, or what is wrong with it.
type Row = Vec<(String, String)>;

/// What a piece of text is.
enum Piece {
    /// A point with a depth.
    Point(Row),
    /// Nothing that is needed.
    NotNeeded,
    Problem(Problem, String),
}

enum Cutter {
    Gpx(gpx::Cutter),
    GeoJson(geojson::Cutter),
}

/// Reads a file of points.
pub(crate) struct PointsLog {
    cutter: Cutter,
    options: Options,
    /// Names of the columns, and the table they make; decided by the first point that has a depth.
    table: Option<(Vec<String>, Box<CsvLog>)>,
    /// Until then.
    account: Account,
    points: u64,
}

impl PointsLog {
    pub(crate) fn gpx(options: &Options) -> Self {
        Self::with(Cutter::Gpx(gpx::Cutter::default()), options)
    }

    pub(crate) fn geojson(options: &Options) -> Self {
        Self::with(Cutter::GeoJson(geojson::Cutter::default()), options)
    }

    fn with(cutter: Cutter, options: &Options) -> Self {
        Self { cutter, options: options.clone(), table: None, account: Account::default(), points: 0 }
    }

    /// Takes the next bytes.
    pub(crate) fn push(&mut self, bytes: &[u8]) {
        let mut pieces = Vec::new();
        match &mut self.cutter {
            Cutter::Gpx(c) => c.push(bytes, &mut pieces),
            Cutter::GeoJson(c) => c.push(bytes, &mut pieces),
        }
        pieces.into_iter().for_each(|p| self.take(p));
    }

    /// The file's end; a point that is cut short is a problem.
    pub(crate) fn end(&mut self) {
        let torn = match &self.cutter {
            Cutter::Gpx(c) => c.is_torn(),
            Cutter::GeoJson(c) => c.is_torn(),
        };
        if torn {
            self.take(Piece::Problem(Problem::TornLine, "the file ends in the middle".to_owned()));
        }
    }

    /// Points so far.
    pub(crate) fn points(&self) -> u64 {
        self.points
    }

    /// The reader of the table, once there is one.
    pub(crate) fn rows(&mut self) -> Option<&mut CsvLog> {
        self.table.as_mut().map(|(_, log)| &mut **log)
    }

    /// Where points are accounted for.
    pub(crate) fn account(&mut self) -> &mut Account {
        match &mut self.table {
            Some((_, log)) => &mut log.account,
            None => &mut self.account,
        }
    }

    fn take(&mut self, piece: Piece) {
        self.points += 1;
        let number = self.points;
        match piece {
            Piece::NotNeeded => self.account().label(Label::NotNeeded, number, String::new),
            Piece::Problem(problem, detail) => {
                self.account().label(Label::Problem(problem), number, || detail);
            }
            Piece::Point(row) => self.point(number, &row),
        }
    }

    fn point(&mut self, number: u64, row: &Row) {
        if self.table.is_none() {
            self.table = self.begin(row);
        }
        let Some((names, log)) = &mut self.table else {
            // A depth under a name that says none.
            let problem = Label::Problem(Problem::UnknownColumns);
            return self.account.label(problem, number, || {
                row.iter().map(|(n, _)| n.as_str()).collect::<Vec<_>>().join(", ")
            });
        };
        let value = |name: &String| row.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v.as_str());
        let line = names.iter().map(value).collect::<Vec<_>>().join("\t");
        log.row(number, line.as_bytes());
    }

    fn begin(&mut self, row: &Row) -> Option<(Vec<String>, Box<CsvLog>)> {
        let names: Vec<String> = row.iter().map(|(name, _)| name.clone()).collect();
        let table = Table::of_names(names.join("\t").as_bytes())?;
        let instrument = match self.cutter {
            Cutter::Gpx(_) => |_| "GPX".to_owned(),
            Cutter::GeoJson(_) => |_| "GeoJSON".to_owned(),
        };
        let mut log = CsvLog::new(table, &self.options, instrument);
        log.account.take_over(std::mem::take(&mut self.account));
        Some((names, Box::new(log)))
    }
}

/// Text that can stand in a cell: no tab, no quote, no line's end.
fn cell(text: &str) -> String {
    text.trim().chars().filter(|c| !c.is_control() && *c != '"').take(64).collect()
}
