//! Where readings come from, as typed: `udp:10110`, `tcp:HOST:PORT`, `listen:PORT`, `serial:/dev/ttyUSB0@4800`,
//! `file:PATH`, `replay:PATH@10`, `-`.

use std::fmt;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::str::FromStr;

/// Port of NMEA 0183 over networks. Source: IANA's registry of service names and ports (`nmea-0183`, 10110).
pub const NMEA_PORT: u16 = 10_110;
/// Speed of a serial line that follows NMEA 0183; common practice, no source.
pub const NMEA_BAUD: u32 = 4_800;
/// Fastest replay.
const MAX_SPEED: f64 = 1e6;

/// A live source.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// Datagrams that come to this address.
    Udp(SocketAddr),
    /// A server that is called.
    Tcp(String),
    /// Clients that call this device.
    Listen(SocketAddr),
    /// A serial port at so many bits a second.
    Serial(PathBuf, u32),
    /// A file that another program writes on.
    File(PathBuf),
    /// A log, so many times as fast as it was written; `None` is as fast as can be.
    Replay(PathBuf, Option<f64>),
    /// Standard input.
    Stdin,
}

/// Not a source.
#[derive(Debug, thiserror::Error)]
#[error(
    "{what:?} is no source: {why}. Sources are udp:PORT, tcp:HOST:PORT, listen:PORT, serial:DEVICE@BAUD, file:PATH, replay:PATH@SPEED and - (standard input)"
)]
pub struct BadSource {
    what: String,
    why: String,
}

impl Source {
    /// Whether it comes to an end by itself.
    pub fn ends(&self) -> bool {
        matches!(self, Self::Stdin | Self::Replay(..))
    }
}

impl FromStr for Source {
    type Err = BadSource;

    fn from_str(text: &str) -> Result<Self, BadSource> {
        read(text).map_err(|why| BadSource { what: leadline_model::escaped(text), why })
    }
}

fn read(text: &str) -> Result<Source, String> {
    if text == "-" {
        return Ok(Source::Stdin);
    }
    let (kind, rest) = text.split_once(':').unwrap_or((text, ""));
    match kind {
        "udp" => Ok(Source::Udp(here(rest)?)),
        "listen" => Ok(Source::Listen(here(rest)?)),
        "tcp" => match rest.rsplit_once(':') {
            Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok_and(|p| p > 0) => {
                Ok(Source::Tcp(rest.to_owned()))
            }
            _ => Err("after tcp: comes HOST:PORT".to_owned()),
        },
        "serial" => {
            let (path, baud) = rest.rsplit_once('@').map_or((rest, Ok(NMEA_BAUD)), |(p, b)| (p, b.parse()));
            let baud = baud.map_err(|_| "after @ comes the speed in bits a second, such as 4800 or 38400")?;
            if !(300..=4_000_000).contains(&baud) {
                return Err("the speed of a serial port is 300 to 4000000 bits a second".to_owned());
            }
            Ok(Source::Serial(path_of(path)?, baud))
        }
        "file" => Ok(Source::File(path_of(rest)?)),
        "replay" => {
            let (path, speed) = match rest.rsplit_once('@') {
                Some((path, "max")) => (path, None),
                Some((path, speed)) => (path, Some(times(speed)?)),
                None => (rest, Some(1.0)),
            };
            Ok(Source::Replay(path_of(path)?, speed))
        }
        _ => Err("its first word is not known".to_owned()),
    }
}

fn times(speed: &str) -> Result<f64, String> {
    let number = speed.trim_end_matches(['x', '×']).parse::<f64>().ok();
    number
        .filter(|n| (0.001..=MAX_SPEED).contains(n))
        .ok_or_else(|| "after @ comes how many times as fast, such as 10 or max".to_owned())
}

fn path_of(text: &str) -> Result<PathBuf, String> {
    if text.is_empty() { Err("no path is given".to_owned()) } else { Ok(PathBuf::from(text)) }
}

/// `PORT`, `ADDRESS:PORT`, or nothing for the usual port on all addresses.
fn here(text: &str) -> Result<SocketAddr, String> {
    if text.is_empty() {
        return Ok((Ipv4Addr::UNSPECIFIED, NMEA_PORT).into());
    }
    if let Ok(port) = text.parse::<u16>() {
        return Ok((Ipv4Addr::UNSPECIFIED, port).into());
    }
    text.parse().map_err(|_| "after it comes PORT or ADDRESS:PORT, with an address of this device".to_owned())
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let path = |p: &PathBuf| leadline_model::escaped(&p.display().to_string());
        match self {
            Self::Udp(a) => write!(f, "udp:{a}"),
            Self::Tcp(a) => write!(f, "tcp:{}", leadline_model::escaped(a)),
            Self::Listen(a) => write!(f, "listen:{a}"),
            Self::Serial(p, baud) => write!(f, "serial:{}@{baud}", path(p)),
            Self::File(p) => write!(f, "file:{}", path(p)),
            Self::Replay(p, Some(speed)) => write!(f, "replay:{}@{speed}", path(p)),
            Self::Replay(p, None) => write!(f, "replay:{}@max", path(p)),
            Self::Stdin => f.write_str("-"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sources_as_typed() {
        for (typed, shown) in [
            ("udp", "udp:0.0.0.0:10110"),
            ("udp:2000", "udp:0.0.0.0:2000"),
            ("udp:127.0.0.1:2000", "udp:127.0.0.1:2000"),
            ("udp:[::1]:2000", "udp:[::1]:2000"),
            ("tcp:plotter.local:10110", "tcp:plotter.local:10110"),
            ("listen:127.0.0.1:0", "listen:127.0.0.1:0"),
            ("serial:/dev/ttyUSB0", "serial:/dev/ttyUSB0@4800"),
            ("serial:COM3@38400", "serial:COM3@38400"),
            ("file:a/b.log", "file:a/b.log"),
            ("replay:day@1.log@20", "replay:day@1.log@20"),
            ("replay:day.log@20x", "replay:day.log@20"),
            ("replay:day.log@max", "replay:day.log@max"),
            ("-", "-"),
        ] {
            let source: Source = typed.parse().expect(typed);
            assert_eq!(source.to_string(), shown);
            assert_eq!(shown.parse::<Source>().expect(shown), source);
        }
    }

    #[test]
    fn what_is_no_source() {
        for typed in [
            "",
            "udp:host:1",
            "udp:70000",
            "tcp:host",
            "tcp::1",
            "tcp:host:0",
            "serial:",
            "serial:/dev/x@1",
            "serial:/dev/x@fast",
            "file:",
            "replay:",
            "replay:a@0",
            "replay:a@-1",
            "replay:a@nan",
            "usb:1",
        ] {
            let e = typed.parse::<Source>().expect_err(typed);
            assert!(e.to_string().contains("Sources are"), "{e}");
        }
    }
}
