//! Thresholds of the survey, and the one table of defaults for what is not known.

/// Thresholds that decide what is void and what is capped. They belong to the survey, not to a device, so that
/// every device draws the same chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Above this speed over ground (m/s) a sounding is at best fair. 10 mph: common practice, no source.
    pub fair_speed: f64,
    /// Above this speed (m/s) it is void: air under the hull. 20 mph: common practice, no source.
    pub max_speed: f64,
    /// Shoalest indicated depth believed, metres: nearer than this a sounder hears itself (judgement).
    pub min_depth: f64,
    /// Deepest indicated depth believed, metres: beyond it, a small boat's sounder has lost the bottom (judgement).
    pub max_depth: f64,
    /// HDOP above which a fix places no depth: 8 x 2 m is 28 m at 95 %, worse than S-44 Order 2 in any depth
    /// under 80 m.
    pub max_hdop: f64,
    /// Least height of a spike over its neighbours, metres (judgement: smaller jumps are left to the budget).
    pub spike_floor: f64,
    /// Least height of a spike as a share of the depth (judgement).
    pub spike_share: f64,
    /// Least height of a spike in local standard deviations of the track (judgement; normal noise reaches 6 σ
    /// once in 500 million).
    pub spike_sigmas: f64,
    /// A shoal spike nearer to the transducer than this is called clutter, metres (judgement).
    pub clutter_m: f64,
    /// Neighbours of the track are at most this far in time, ms.
    pub neighbour_ms: i64,
    /// Neighbours of the track are at most this far apart, metres: beyond it, the bed may be another one.
    pub neighbour_m: f64,
    /// Longest burst of second echoes (about twice the depth of both sides) taken out, ms.
    pub second_echo_ms: i64,
    /// Least number of equal readings called frozen.
    pub frozen_readings: usize,
    /// Least distance the boat moved meanwhile, metres, more than a receiver wanders at anchor.
    pub frozen_m: f64,
    /// Distance between two fixes that no error of a receiver explains, metres, on top of the boat's speed.
    pub jump_m: f64,
    /// Tracks that come this near count as crossing, metres.
    pub crossing_m: f64,
    /// What is assumed where nothing is known.
    pub defaults: Defaults,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            fair_speed: 4.47,
            max_speed: 8.94,
            min_depth: 0.2,
            max_depth: 300.0,
            max_hdop: 8.0,
            spike_floor: 0.5,
            spike_share: 0.05,
            spike_sigmas: 6.0,
            clutter_m: 1.0,
            neighbour_ms: 10_000,
            neighbour_m: 60.0,
            second_echo_ms: 60_000,
            frozen_readings: 8,
            frozen_m: 20.0,
            jump_m: 12.0,
            crossing_m: 2.5,
            defaults: Defaults::default(),
        }
    }
}

/// The table of defaults: values and uncertainties, all at 95 %, in metres unless said.
///
/// "C-13" is the single-beam example of IHO C-13 §5.1.4; "judgement" means that no published value was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defaults {
    /// The instrument, part that does not grow with depth: resolution of 0.1 m and bottom detection (judgement;
    /// C-13 has 0.04 m for a survey sounder).
    pub instrument: f64,
    /// The instrument, share of the depth (judgement).
    pub instrument_share: f64,
    /// Heave of the boat. C-13.
    pub heave: f64,
    /// Full opening of the beam, degrees. C-13's example has 20°; common for 200 kHz.
    pub beam_deg: f64,
    /// A typed draft: read with a tape, changing with the load (judgement; C-13 has 0.10 m for a ship).
    pub draft_typed: f64,
    /// A draft out of the log: somebody told the sounder once (judgement).
    pub draft_logged: f64,
    /// Draft unknown: nothing is added, and small boats' transducers hang 0 to 0.5 m deep (judgement).
    pub draft_unknown: f64,
    /// The log does not say what its depths were measured from: the draft may be in them or not (judgement).
    pub reference_unknown: f64,
    /// Settlement at `settlement_speed`; it grows with the square of the speed. C-13: 0.10 m at 8 kn.
    pub settlement: f64,
    /// Speed of the line above, m/s (8 kn). C-13.
    pub settlement_speed: f64,
    /// Most settlement assumed at any speed: a planing hull rises instead (judgement).
    pub settlement_max: f64,
    /// Sound speed known by temperature, share of the depth. C-13: 1/150; about ±3 °C between surface and bed.
    pub sound_known: f64,
    /// Sound speed known by temperatures over the whole depth (a cast), share of the depth: half of the line above
    /// (judgement; what is left is the change within a day and from place to place).
    pub sound_cast: f64,
    /// A cast holds for this long before and after it, ms (judgement: three days; a lake's layers last for weeks,
    /// its surface changes within days).
    pub cast_ms: i64,
    /// Water temperature assumed where none is known, °C.
    pub temperature: f64,
    /// Temperature unknown, share of the depth: 4 … 28 °C is 1421 … 1504 m/s, ±2.8 % of the middle.
    pub temperature_unknown: f64,
    /// Sound speed of the sounder unknown, share of the depth: the two documented nominal values, 1500 m/s and
    /// 4800 ft/s, differ by 2.5 %.
    pub sound_unknown: f64,
    /// One reading of a gauge by eye (judgement).
    pub stage_reading: f64,
    /// What the level may wander from the straight line between readings: this, times the square root of days
    /// (judgement: a reservoir that moves about 10 cm a day).
    pub stage_wander: f64,
    /// A reading holds alone, before the first and after the last of its gauge, for this long, ms (half a day).
    pub stage_alone_ms: i64,
    /// On flowing water between two gauges: how far the surface lies off the straight line half way, as a share of
    /// the fall between them (judgement; across a dam or a riffle it is wrong).
    pub river_fall: f64,
    /// Slope of flowing water beyond the last gauge, at least, metres a metre (judgement: 30 cm a km).
    pub river_slope: f64,
    /// Readings farther apart than this say nothing of the time between, but near each of them (judgement: two weeks).
    pub stage_gap_ms: i64,
    /// Stage unknown: the depth is below the water level of that day (judgement).
    pub stage_unknown: f64,
    /// Stage unknown, as levelling starts from it: reservoirs fall by metres (judgement).
    pub level_unknown: f64,
    /// How far the datum of an adopted survey may lie from this one's: people take the level of their first day, or a
    /// gauge's zero (judgement).
    pub datum_unknown: f64,
    /// Load and trim of a boat from day to day (judgement).
    pub load: f64,
    /// Position error (2-D, one standard deviation) at HDOP 1 without correction signals (judgement).
    pub position: f64,
    /// The same with correction signals (judgement).
    pub position_corrected: f64,
    /// The same with carrier phase, integers floating (judgement).
    pub position_float: f64,
    /// The same with carrier phase, integers fixed (judgement).
    pub position_fixed: f64,
    /// HDOP where the log says none: worse than a good sky (judgement).
    pub hdop: f64,
    /// The error counts this many times where the receiver marked its position with a warning (judgement).
    pub warning_factor: f64,
    /// Lag between depth and position unknown, seconds (judgement; half an update of a 1 Hz receiver).
    pub lag_unknown_s: f64,
    /// Lag typed, seconds (judgement).
    pub lag_typed_s: f64,
    /// More lag where the position is the last fix instead of an interpolated one, seconds.
    pub lag_held_s: f64,
    /// Speed over ground where neither the log nor the track tells it, m/s (judgement).
    pub speed: f64,
    /// Slope of a bed nothing is known of, each axis, one standard deviation, metres a metre (judgement).
    pub slope: f64,
    /// Noise of a cell's first rough depth, one standard deviation, metres (judgement).
    pub rough_noise: f64,
}

impl Defaults {
    /// Settlement at `speed` m/s: it grows with the square of the speed, metres at 95 %.
    pub(crate) fn settlement_at(&self, speed: f64) -> f64 {
        let v = speed / self.settlement_speed;
        (self.settlement * v * v).min(self.settlement_max)
    }
}

impl Default for Defaults {
    fn default() -> Self {
        Self {
            instrument: 0.08,
            instrument_share: 0.005,
            heave: 0.10,
            beam_deg: 20.0,
            draft_typed: 0.05,
            draft_logged: 0.10,
            draft_unknown: 0.50,
            reference_unknown: 0.30,
            settlement: 0.10,
            settlement_speed: 4.116,
            settlement_max: 0.30,
            sound_known: 1.0 / 150.0,
            sound_cast: 1.0 / 300.0,
            cast_ms: 3 * 24 * 3600 * 1000,
            temperature: 15.0,
            temperature_unknown: 0.028,
            sound_unknown: 0.025,
            stage_reading: 0.03,
            stage_wander: 0.10,
            stage_alone_ms: 12 * 3600 * 1000,
            river_fall: 0.2,
            river_slope: 0.0003,
            stage_gap_ms: 14 * 24 * 3600 * 1000,
            stage_unknown: 1.0,
            level_unknown: 10.0,
            datum_unknown: 10.0,
            load: 0.03,
            position: 2.0,
            position_corrected: 1.0,
            position_float: 0.3,
            position_fixed: 0.03,
            hdop: 2.0,
            warning_factor: 2.0,
            lag_unknown_s: 0.5,
            lag_typed_s: 0.2,
            lag_held_s: 0.5,
            speed: 2.5,
            slope: 0.06,
            rough_noise: 0.10,
        }
    }
}
