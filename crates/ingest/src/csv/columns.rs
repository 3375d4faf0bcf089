//! What a column holds, by its name.

use leadline_model::DepthFrom;

/// The meaning of a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Column {
    Lon,
    Lat,
    /// Millimetres a unit times ten (a foot is 3048), and the reference the name states.
    Depth {
        tenths_mm: i64,
        from: DepthFrom,
        height: bool,
    },
    /// Date and time in one, or a time of day if there is a date column.
    Time {
        utc: bool,
    },
    Date {
        utc: bool,
    },
    /// mm/s a unit, times 3,600 (a knot is 1,852,000).
    Speed {
        factor: i64,
    },
    Hdop,
    Sats,
    Temperature {
        fahrenheit: bool,
    },
}

/// Reads a column's name; `None` for one that is not needed.
pub(crate) fn column(name: &str) -> Option<Column> {
    let name = name.trim_matches(|c: char| !c.is_ascii_alphanumeric()).to_ascii_lowercase();
    let words: Vec<&str> =
        name.split(|c: char| !c.is_ascii_alphanumeric()).filter(|w| !w.is_empty()).collect();
    let has = |list: &[&str]| words.iter().any(|w| list.contains(w));
    let first = words.first().copied()?;
    let utc = has(&["utc", "gmt", "zulu", "z"]);
    match first {
        "lon" | "lng" | "long" | "longitude" | "x" | "easting" => Some(Column::Lon),
        "lat" | "latitude" | "y" | "northing" => Some(Column::Lat),
        "time" | "timestamp" | "datetime" | "utc" | "gmt" => Some(Column::Time { utc }),
        "date" if has(&["time", "datetime"]) => Some(Column::Time { utc }),
        "date" | "day" => Some(Column::Date { utc }),
        "speed" | "sog" => speed(&words).map(|factor| Column::Speed { factor }),
        "hdop" => Some(Column::Hdop),
        "sats" | "satellites" | "nsat" | "nsats" => Some(Column::Sats),
        "temperature" | "temp" | "watertemp" | "wtemp" | "mtw" => {
            Some(Column::Temperature { fahrenheit: has(&["f", "degf", "fahrenheit"]) })
        }
        "water" if has(&["temp", "temperature"]) => {
            Some(Column::Temperature { fahrenheit: has(&["f", "degf", "fahrenheit"]) })
        }
        "water" if has(&["depth"]) => Some(depth(&words, false)),
        "depth" | "dpt" | "dbt" | "dbs" | "dbk" | "sounding" | "z" => Some(depth(&words, false)),
        "elevation" | "elev" | "height" | "altitude" => Some(depth(&words, true)),
        joined => joined_unit(joined),
    }
}

/// `depthft`, `depthm` and the like.
fn joined_unit(word: &str) -> Option<Column> {
    let unit = word.strip_prefix("depth")?;
    ["m", "ft", "fm", "feet", "metres", "meters", "fathoms", "cm", "mm"]
        .contains(&unit)
        .then(|| depth(&["depth", unit], false))
}

fn depth(words: &[&str], height: bool) -> Column {
    let has = |list: &[&str]| words.iter().any(|w| list.contains(w));
    let tenths_mm = if has(&["ft", "feet", "foot"]) {
        3_048
    } else if has(&["fm", "fms", "fathom", "fathoms"]) {
        18_288
    } else if has(&["cm", "centimetres", "centimeters"]) {
        100
    } else if has(&["mm", "millimetres", "millimeters"]) {
        10
    } else {
        10_000
    };
    let from = if has(&["surface", "waterline", "dbs"]) {
        DepthFrom::Surface
    } else if has(&["keel", "dbk"]) {
        DepthFrom::Keel
    } else if has(&["transducer", "dbt", "dpt"]) {
        DepthFrom::Transducer
    } else {
        DepthFrom::Unknown
    };
    Column::Depth { tenths_mm, from, height }
}

/// A speed without a unit is not guessed.
fn speed(words: &[&str]) -> Option<i64> {
    let has = |list: &[&str]| words.iter().any(|w| list.contains(w));
    if has(&["kn", "kt", "kts", "knot", "knots"]) {
        Some(1_852_000)
    } else if has(&["kmh", "kph"]) || words.ends_with(&["km", "h"]) {
        Some(1_000_000)
    } else if has(&["mph"]) {
        Some(1_609_344)
    } else if has(&["mps", "ms"]) || words.ends_with(&["m", "s"]) {
        Some(3_600_000)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_units() {
        let depth = |tenths_mm, from| Some(Column::Depth { tenths_mm, from, height: false });
        for (name, want) in [
            ("LON", Some(Column::Lon)),
            (" Longitude ", Some(Column::Lon)),
            ("lat_deg", Some(Column::Lat)),
            ("depth (ft)", depth(3_048, DepthFrom::Unknown)),
            ("Depth_m", depth(10_000, DepthFrom::Unknown)),
            ("depth [fathoms]", depth(18_288, DepthFrom::Unknown)),
            ("depth below surface (m)", depth(10_000, DepthFrom::Surface)),
            ("depth_keel_cm", depth(100, DepthFrom::Keel)),
            ("DepthFt", depth(3_048, DepthFrom::Unknown)),
            ("time_utc", Some(Column::Time { utc: true })),
            ("Timestamp", Some(Column::Time { utc: false })),
            ("date", Some(Column::Date { utc: false })),
            ("date/time (UTC)", Some(Column::Time { utc: true })),
            ("SOG (kn)", Some(Column::Speed { factor: 1_852_000 })),
            ("speed m/s", Some(Column::Speed { factor: 3_600_000 })),
            ("speed", None),
            ("Water temp (°C)", Some(Column::Temperature { fahrenheit: false })),
            ("PROVIDER", None),
            ("", None),
        ] {
            assert_eq!(column(name), want, "{name}");
        }
    }
}
