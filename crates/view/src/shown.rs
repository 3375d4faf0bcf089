//! What is shown: a survey reduced, its surface, and what tiles are made of.

use leadline_chart::{Between, ChartInfo, DepthTiles, Shore, Surface, SurfaceSettings, Units};
use leadline_model::{LegId, Pass};
use leadline_survey::{Computed, Error, Only, Store};
use std::collections::BTreeSet;

/// A survey, or part of it, ready to be asked.
#[derive(Debug)]
pub struct Shown {
    /// Another one whenever what is shown may have changed: hexadecimal digits.
    pub version: String,
    /// Cells, soundings, passes, statements.
    pub computed: Computed,
    /// The surface between the cells.
    pub surface: Surface,
    /// What depth tiles are made of.
    pub tiles: DepthTiles,
    /// Numbers of the passes that came with the last meeting or parcel.
    pub fresh: BTreeSet<u32>,
    /// The survey's name and sounding datum.
    pub name: (String, String),
}

/// What of a store is looked at, and how.
#[derive(Clone, Debug, Default)]
pub(crate) struct Look {
    pub(crate) only: Only,
    pub(crate) between: Between,
}

/// Says whether what a store holds has changed, without computing anything.
pub(crate) fn version(store: &Store, between: Between) -> Result<String, Error> {
    let after = store.before_last_come()?;
    let held = store.holdings_digest()?;
    let words = format!("{held} {after} {between:?}");
    Ok(blake3::hash(words.as_bytes()).to_hex()[..16].to_owned())
}

impl Shown {
    /// Computes it; takes seconds where the survey is large.
    pub(crate) fn make(store: &Store, look: &Look) -> Result<Self, Error> {
        // Before reading: what comes meanwhile makes another version, never a stale one under a new name.
        let version = version(store, look.between)?;
        let come = store.legs_come_after(store.before_last_come()?)?;
        let computed =
            if look.only == Only::default() { store.compute()? } else { store.compute_of(&look.only)? };
        let name =
            store.name()?.map(|(n, d)| (n.as_str().to_owned(), d.as_str().to_owned())).unwrap_or_default();
        Ok(Self::of(version, computed, &come, look.between, name))
    }

    /// From what was computed; `come`: legs that are shown as newly come.
    pub fn of(
        version: String,
        computed: Computed,
        come: &BTreeSet<LegId>,
        between: Between,
        name: (String, String),
    ) -> Self {
        let surface = surface_of(&computed, between);
        let is_fresh = |p: &Pass| p.legs.iter().any(|l| come.contains(l));
        let passes = (0u32..).zip(&computed.reduced.passes);
        let fresh: BTreeSet<u32> = passes.filter(|(_, p)| is_fresh(p)).map(|(i, _)| i).collect();
        let tiles = DepthTiles::new(&surface, fresh.clone());
        Self { version, computed, surface, tiles, fresh, name }
    }

    /// What files made from it say of themselves.
    pub(crate) fn info(&self, units: Units) -> ChartInfo {
        ChartInfo {
            survey: self.name.0.clone(),
            datum: self.name.1.clone(),
            stage_text: "no stage given: the sounding datum (stage 0)".to_owned(),
            readings: self.computed.ground.stages_above_datum(),
            passes: self.computed.reduced.passes.clone(),
            newest: self.surface.newest(),
            units,
            ..ChartInfo::default()
        }
    }
}

/// The surface of everything, within the shore if one is drawn.
pub fn surface_of(computed: &Computed, between: Between) -> Surface {
    let shore = computed.ground.shore.as_ref();
    let shore = shore.map(|s| Shore { rings: s.rings.clone(), stage_m: f64::from(s.stage_mm) / 1000.0 });
    Surface::ashore(&computed.reduced.cells, &SurfaceSettings::default(), between, shore)
}
