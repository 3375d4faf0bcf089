//! The map while this device records: the open leg laid over what is shown, without computing the survey anew.

use crate::asked;
use crate::shown::Shown;
use crate::site::Site;
use leadline_chart::{Shore, SurfaceSettings, TilePatch};
use leadline_model::{GridPos, ReducedSounding};
use leadline_survey::{Error, GrowingMap, Home, open_soundings, underway};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// How often is looked whether the leg has grown; what the recording writes is renewed every five seconds.
const LOOK: Duration = Duration::from_secs(1);
/// Working the growth in may take one part in so many of the time: the rest of the machine records.
const ONE_PART_IN: u32 = 10;

/// What the open leg adds to the map that is shown.
#[derive(Debug)]
pub(crate) struct Grown {
    /// Another one each time.
    pub(crate) number: u64,
    /// The version of the map it lies over.
    pub(crate) version: String,
    /// The water that was measured anew; `None` where nothing of it counts.
    pub(crate) patch: Option<TilePatch>,
    /// Reduced soundings of the open leg, by time.
    pub(crate) trail: Vec<ReducedSounding>,
    /// Where they lie.
    pub(crate) places: Vec<GridPos>,
    /// What it took.
    pub(crate) took: Duration,
    /// Whether everything had to be computed again.
    pub(crate) whole: bool,
}

/// What is kept from one look to the next.
#[derive(Default)]
pub(crate) struct Growing {
    map: Option<(String, GrowingMap)>,
    number: u64,
    next: Option<Instant>,
    /// The version of a survey that is too large to be grown.
    too_large: Option<String>,
}

impl Site {
    /// Looks again and again whether the leg that is recorded has grown. Never ends.
    pub(crate) async fn keep_growing(self: Arc<Self>) {
        let mut growing = Growing::default();
        loop {
            let site = Arc::clone(&self);
            let looked = tokio::task::spawn_blocking(move || {
                // What fails now is tried again; the map without it is still right.
                if let Ok(Some(grown)) = growing.look(&site) {
                    site.put_grown(grown);
                }
                growing
            });
            growing = looked.await.unwrap_or_default();
            tokio::time::sleep(LOOK).await;
        }
    }
}

impl Growing {
    /// `Some(None)`: nothing is being recorded any more.
    fn look(&mut self, site: &Site) -> Result<Option<Option<Grown>>, Error> {
        let home = Home::open(Some(&site.home))?;
        let Some(state) = underway(&home, &site.survey, asked::now()) else {
            *self = Self { number: self.number, ..Self::default() };
            return Ok(Some(None));
        };
        let Some(shown) = site.standing() else { return Ok(None) };
        let due = self.next.is_none_or(|t| Instant::now() >= t);
        if !due || self.too_large.as_ref() == Some(&shown.version) {
            return Ok(None);
        }
        let open = open_soundings(&home, &site.survey);
        let Some(first) = open.first() else { return Ok(None) };
        let began = Instant::now();
        let store = home.store(&site.survey)?;
        if self.map.as_ref().is_none_or(|(v, _)| *v != shown.version) {
            self.map = None;
            match GrowingMap::begin(&store, &state, first.time)? {
                Some(map) => self.map = Some((shown.version.clone(), map)),
                None => self.too_large = Some(shown.version.clone()),
            }
        }
        let Some((_, map)) = &mut self.map else { return Ok(None) };
        let Some(refreshed) = map.add(&store, &open)? else { return Ok(None) };
        let grown = grown(map, &shown, site, self.number + 1, refreshed.whole, began);
        self.number += 1;
        self.next = Some(Instant::now() + grown.took * ONE_PART_IN);
        Ok(Some(Some(grown)))
    }
}

fn grown(map: &GrowingMap, shown: &Shown, site: &Site, number: u64, whole: bool, began: Instant) -> Grown {
    let trail = map.trail();
    let places: Vec<GridPos> = trail.iter().map(|s| s.at).collect();
    let ground = &shown.computed.ground;
    let shore = ground.shore.as_ref();
    let shore = shore.map(|s| Shore { rings: s.rings.clone(), stage_m: f64::from(s.stage_mm) / 1000.0 });
    let settings = SurfaceSettings::default();
    let patch = TilePatch::new(&map.reduced().cells, &places, &settings, site.between, shore);
    let version = shown.version.clone();
    Grown { number, version, patch, trail, places, took: began.elapsed(), whole }
}
