//! Crowd-sourced bathymetry for the public archive: GeoJSON CSB 3.1 of the IHO's B-12, edition 3.0.0.
//!
//! Depths as measured (no stage, no draft, no levelling), one boat a file, under CC0 1.0, which is the only licence B-12
//! takes. The boat's name stays at home unless it is given. RFC 7946 forbids a `crs` that B-12 demands; B-12 wins here.

use crate::ChartError;
use crate::units::fixed;
use leadline_model::{DepthFrom, GridPos, PRODUCT, UtcMillis};
use serde_json::json;
use std::io;

/// One depth as measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CsbSounding {
    /// When.
    pub time: UtcMillis,
    /// Where.
    pub at: GridPos,
    /// As indicated, mm.
    pub depth_mm: i32,
    /// What it was measured from.
    pub from: DepthFrom,
}

/// What the file says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct CsbInfo {
    /// The organisation that hands the data on.
    pub provider: String,
    /// Its address for questions.
    pub email: String,
    /// Letters and digits of that organisation, the first a letter: they lead the boat's id.
    pub node: String,
    /// The boat's id, the same for the life of the boat, made by chance.
    pub uuid: [u8; 16],
    /// The boat's name, only where its owner gives it.
    pub name: Option<String>,
    /// Version of this program.
    pub version: String,
    /// When the file was made.
    pub made: UtcMillis,
    /// Transducer below the water line, metres, if it is known and the same for all.
    pub draft_m: Option<f64>,
    /// Sound speed the sounder assumed, m/s, if it is known and the same for all.
    pub sound_speed_m_s: Option<f64>,
}

/// Longest text that goes into the file.
const MOST_TEXT: usize = 256;

impl CsbInfo {
    /// Whether the schema will take it.
    ///
    /// # Errors
    /// Which field is wrong and how it should be.
    pub fn check(&self) -> Result<(), ChartError> {
        let refused = |field, why| Err(ChartError::Csb { field, why });
        let text = |t: &str| !t.trim().is_empty() && t.len() <= MOST_TEXT && !t.chars().any(char::is_control);
        if !text(&self.provider) {
            return refused("provider", "one line of at most 256 bytes");
        }
        if !is_email(&self.email) {
            return refused("email", "an address such as depths@example.org");
        }
        let node = self.node.as_bytes();
        if !(node.first().is_some_and(u8::is_ascii_alphabetic) && node.iter().all(u8::is_ascii_alphanumeric))
        {
            return refused("node", "letters and digits, the first a letter, such as OURCLUB");
        }
        if node.len() > 32 || self.name.as_deref().is_some_and(|n| !text(n)) {
            return refused("node", "at most 32 characters, and the boat's name one line");
        }
        Ok(())
    }

    /// The boat's id: the node's letters, then a UUID.
    pub fn vessel_id(&self) -> String {
        let hex: String = self.uuid.iter().map(|b| format!("{b:02x}")).collect();
        let parts = [(0, 8), (8, 12), (12, 16), (16, 20), (20, 32)];
        let parts: Vec<&str> = parts.iter().filter_map(|(a, b)| hex.get(*a..*b)).collect();
        format!("{}-{}", self.node, parts.join("-"))
    }
}

/// The shape that the schema's pattern asks for: name, `@`, domain, two to six letters at the end.
fn is_email(text: &str) -> bool {
    let Some((name, domain)) = text.split_once('@') else { return false };
    let Some((host, top)) = domain.rsplit_once('.') else { return false };
    let among = |t: &str, more: &str| {
        !t.is_empty() && t.chars().all(|c| c.is_ascii_alphanumeric() || more.contains(c))
    };
    text.len() <= MOST_TEXT
        && among(name, "._%+-")
        && among(host, ".-")
        && (2..=6).contains(&top.len())
        && top.bytes().all(|b| b.is_ascii_alphabetic())
}

/// What all depths were measured from, as B-12 names it: `Unknown` where they differ or where it is the keel, for which
/// B-12 has no word.
pub fn csb_reference(soundings: &[CsbSounding]) -> &'static str {
    let mut all = soundings.iter().map(|s| s.from);
    let first = all.next().unwrap_or(DepthFrom::Unknown);
    match first {
        DepthFrom::Transducer if all.all(|f| f == first) => "Transducer",
        DepthFrom::Surface if all.all(|f| f == first) => "Waterline",
        _ => "Unknown",
    }
}

/// Writes soundings of one boat in the order of time.
///
/// # Errors
/// [`CsbInfo::check`]'s as invalid input, else only those of `out`.
pub fn csb_geojson(soundings: &[CsbSounding], info: &CsbInfo, out: &mut dyn io::Write) -> io::Result<()> {
    info.check().map_err(|e| io::Error::new(io::ErrorKind::InvalidInput, e))?;
    let mut all: Vec<&CsbSounding> = soundings.iter().collect();
    all.sort_by_key(|s| (s.time, s.at, s.depth_mm));
    let crs = json!({"type": "name", "properties": {"name": "EPSG:4326"}});
    write!(
        out,
        "{{\"type\":\"FeatureCollection\",\n\"crs\":{crs},\n\"properties\":{},\n\"features\":[",
        head(soundings, info)
    )?;
    for (i, s) in all.iter().enumerate() {
        let p = s.at.lonlat();
        write!(
            out,
            "{}\n{{\"type\":\"Feature\",\"geometry\":{{\"type\":\"Point\",\"coordinates\":[{},{}]}},\
             \"properties\":{{\"depth\":{},\"time\":\"{}\"}}}}",
            if i == 0 { "" } else { "," },
            fixed(p.lon, 6),
            fixed(p.lat, 6),
            fixed(f64::from(s.depth_mm) / 1000.0, 2),
            with_millis(s.time)
        )?;
    }
    out.write_all(b"\n]}\n")
}

/// RFC 3339 in UTC, always with its milliseconds.
fn with_millis(t: UtcMillis) -> String {
    let whole = UtcMillis(t.0 - t.0.rem_euclid(1000)).to_string();
    format!("{}.{:03}Z", whole.trim_end_matches('Z'), t.0.rem_euclid(1000))
}

/// The metadata. What is not known is left out: no make, model or place of a sensor is invented.
fn head(soundings: &[CsbSounding], info: &CsbInfo) -> serde_json::Value {
    let id = info.vessel_id();
    let mut platform = json!({
        "type": "private vessel", "uniqueID": id, "soundSpeedDocumented": false, "positionOffsetsDocumented": false,
        "dataProcessed": true, "contributorComments": comments(soundings, info),
    });
    if let (Some(name), Some(map)) = (&info.name, platform.as_object_mut()) {
        map.insert("name".to_owned(), json!(name));
    }
    json!({
        "trustedNode": {
            "providerOrganizationName": info.provider, "providerEmail": info.email, "uniqueVesselID": id,
            "convention": "GeoJSON CSB 3.1", "dataLicense": "CC0 1.0", "providerLogger": PRODUCT,
            "providerLoggerVersion": info.version, "navigationCRS": "EPSG:4326",
            "verticalReferenceOfDepth": csb_reference(soundings), "vesselPositionReferencePoint": "GNSS",
        },
        "platform": platform,
        "processing": [
            {
                "type": "TimeStampInterpolation", "timestamp": with_millis(info.made),
                "method": "position at the time of the depth, interpolated between two fixes, else the last fix",
                "version": info.version,
            },
            {
                "type": "Algorithm", "timestamp": with_millis(info.made), "name": format!("{PRODUCT} screening"),
                "parameters": {}, "version": info.version,
                "comment": "Soundings screened out (no depth, no fix, spikes, second echoes, too fast) are not in the \
                            file. No depth was changed: no stage, draft, sound speed or levelling is applied.",
                "source": "docs/method.md of the program's source",
            },
        ],
    })
}

fn comments(soundings: &[CsbSounding], info: &CsbInfo) -> String {
    let mut words = vec!["Depths as indicated by the sounder.".to_owned()];
    let keel = soundings.iter().filter(|s| s.from == DepthFrom::Keel).count();
    if keel > 0 {
        words.push(format!("{keel} depths are below the keel."));
    }
    if let Some(d) = info.draft_m {
        words.push(format!("Transducer {} m below the water line, as stated by its people.", fixed(d, 2)));
    }
    match info.sound_speed_m_s {
        Some(c) => words.push(format!("The sounder assumes {} m/s.", fixed(c, 1))),
        None => words.push("The sound speed that the sounder assumes is not known.".to_owned()),
    }
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::LonLat;

    fn info() -> CsbInfo {
        CsbInfo {
            provider: "Our \"club\"".into(),
            email: "depths@example.org".into(),
            node: "OURCLUB".into(),
            uuid: [0xab; 16],
            name: None,
            version: "0.1.0".into(),
            made: UtcMillis(1_780_000_000_000),
            draft_m: Some(0.35),
            sound_speed_m_s: None,
        }
    }

    fn sounding(time: i64, depth_mm: i32, from: DepthFrom) -> CsbSounding {
        let at = GridPos::from_lonlat(LonLat { lon: 7.4131, lat: -48.2173 }).expect("on the grid");
        CsbSounding { time: UtcMillis(time), at, depth_mm, from }
    }

    #[test]
    fn a_file_by_the_words_of_b12() {
        // Source: IHO B-12 Ed 3.0.0 §3.3: six decimals, metres, RFC 3339 with ms as in 2015-08-06T22:00:00.000Z; the id is
        // the node's letters, a hyphen and a UUID; the licence CC0 1.0.
        let mut out = Vec::new();
        let all = [
            sounding(1_438_898_401_250, 4310, DepthFrom::Transducer),
            sounding(1_438_898_400_000, 4200, DepthFrom::Transducer),
        ];
        csb_geojson(&all, &info(), &mut out).expect("written");
        let v: serde_json::Value = serde_json::from_slice(&out).expect("JSON");
        let node = &v["properties"]["trustedNode"];
        assert_eq!(node["uniqueVesselID"], "OURCLUB-abababab-abab-abab-abab-abababababab");
        assert_eq!(node["verticalReferenceOfDepth"], "Transducer");
        assert_eq!(node["dataLicense"], "CC0 1.0");
        assert_eq!(v["features"][0]["properties"]["time"], "2015-08-06T22:00:00.000Z");
        assert_eq!(v["features"][1]["properties"]["time"], "2015-08-06T22:00:01.250Z");
        assert_eq!(v["features"][1]["properties"]["depth"], 4.31);
        let text = String::from_utf8(out).expect("UTF-8");
        assert!(text.contains("[7.413100,-48.217300]"), "{text}");
        assert!(v["properties"]["platform"]["name"].is_null() && !text.contains("Heron"));
    }

    #[test]
    fn references_that_differ_are_unknown() {
        use DepthFrom::{Keel, Surface, Transducer, Unknown};
        for (from, word) in [
            (&[Transducer, Transducer][..], "Transducer"),
            (&[Surface], "Waterline"),
            (&[Keel], "Unknown"),
            (&[Transducer, Surface], "Unknown"),
            (&[Unknown], "Unknown"),
            (&[], "Unknown"),
        ] {
            let all: Vec<_> = from.iter().map(|f| sounding(0, 1, *f)).collect();
            assert_eq!(csb_reference(&all), word);
        }
    }

    #[test]
    fn what_the_schema_refuses_is_refused() {
        let with = |f: &dyn Fn(&mut CsbInfo)| {
            let mut i = info();
            f(&mut i);
            i.check().is_err()
        };
        assert!(info().check().is_ok());
        for mail in ["", "a@b", "a b@c.de", "a@b.c", "@b.de", "a@b.toolong1", "a@b.c3"] {
            assert!(with(&|i| i.email = mail.into()), "{mail}");
        }
        for node in ["", "1A", "A-B", "Ä"] {
            assert!(with(&|i| i.node = node.into()), "{node}");
        }
        assert!(with(&|i| i.provider = "  ".into()) && with(&|i| i.name = Some("a\nb".into())));
    }
}
