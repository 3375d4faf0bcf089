//! Soundings and legs as tests need them.

use leadline_model::{DepthFrom, FixClass, Flags, GridPos, LegId, Sounding, Text, UtcMillis};
use leadline_reduce::{DeviceSet, LegInput};

pub(crate) fn text(t: &str) -> Text {
    Text::new(t).expect("short")
}

/// A depth below the transducer with everything known: 2 m/s, HDOP 1.0 with corrections, 15 °C.
pub(crate) fn sounding(time: i64, at: GridPos, depth_m: f64) -> Sounding {
    Sounding {
        time: UtcMillis(time),
        at,
        depth_mm: libm::round(depth_m * 1000.0) as i32,
        from: DepthFrom::Transducer,
        offset_mm: None,
        speed_mm_s: Some(2_000),
        hdop_centi: Some(100),
        fix: FixClass::Differential,
        sats: Some(9),
        temp_centi: Some(1_500),
        flags: Flags(0),
    }
}

/// Cut at whole ten minutes; ids are made of device and first moment.
pub(crate) fn legs_of(boat: &str, device: u8, soundings: &[Sounding]) -> Vec<LegInput> {
    let windows = soundings.chunk_by(|a, b| a.time.leg_window() == b.time.leg_window());
    windows
        .map(|w| {
            let mut id = [device; 32];
            id[..8].copy_from_slice(&w[0].time.0.to_le_bytes());
            let (id, devices) = (LegId(id), DeviceSet::one(device));
            LegInput { id, boat: text(boat), devices, soundings: w.to_vec() }
        })
        .collect()
}
