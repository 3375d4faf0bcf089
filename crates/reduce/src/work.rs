//! One sounding between screening and map: small, because there are millions.

use leadline_model::{Grade, GridPos, UtcMillis, VoidReason};

/// A reduced sounding before the slope of the bed is known. Variances are in m², one standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Work {
    pub(crate) time: UtcMillis,
    pub(crate) at: GridPos,
    /// Below the datum, metres.
    pub(crate) depth: f64,
    /// Averages out within a visit.
    pub(crate) random: f32,
    /// The same throughout a visit.
    pub(crate) visit: f32,
    /// The same for a boat.
    pub(crate) boat: f32,
    /// The same for a boat on one day, once it is levelled.
    pub(crate) tie: f32,
    /// The same for all boats of a day; of a cluster, once it is levelled.
    pub(crate) day: f32,
    /// Variance of the position in one axis.
    pub(crate) axis: f32,
    /// Variance of the way run during the unknown lag.
    pub(crate) lag: f32,
    /// Below the transducer, metres.
    pub(crate) range: f32,
    pub(crate) pass: u32,
    pub(crate) devices: u16,
    /// Cluster of the levelling, if it is levelled.
    pub(crate) cluster: Option<u16>,
    /// Best grade allowed by rule.
    pub(crate) cap: Grade,
    /// The stage is known or levelled, so that the depth hangs on the datum.
    pub(crate) anchored: bool,
    /// Of a spike that is shoaler than both sides, what it is called if no other pass saw it.
    pub(crate) spike: Option<VoidReason>,
    /// People left such a spike out.
    pub(crate) cut: bool,
    /// People decided both ways on it.
    pub(crate) contested: bool,
    pub(crate) void: Option<VoidReason>,
}
