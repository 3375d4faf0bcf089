//! The device's folder: store, import, query, and meetings driven against the store. The only code that touches
//! the folder; blocking.

mod actions;
mod adopt;
mod areas;
mod backup;
mod crew;
mod decisions;
mod desk;
mod doors;
mod durable;
mod error;
mod fetching;
mod geopackage;
mod give;
mod ground;
mod growing;
mod guests;
mod handed;
mod home;
mod import;
mod invite;
mod ledger;
mod levels;
mod marks;
mod only;
mod parcel;
mod provisional;
mod prune;
mod query;
mod room;
mod secrets;
mod store;
mod trim;
mod underway;

pub use actions::{
    INVITE_MILLIS, add_cast, add_series, add_stage, add_stages, field, found_survey, invite, join, set_boat,
    set_gauge, set_river, set_shore, set_speeds,
};
pub use adopt::{Adoption, adopt_survey, unadopt_survey};
pub use areas::areas_of;
pub use backup::{
    BackedUp, BackupHead, BackupRequest, BackupSurvey, ChainFile, FolderSeen, Restored, RestoredSurvey,
    back_up, backup_seen, restore,
};
pub use crew::{dismiss_and_rotate, rotate_secret};
pub use decisions::{
    DepthFilter, apply_levelling, leave_out, not_copies, rename_boat, take_back, take_back_one,
    undo_levelling,
};
pub use desk::SurveyDesk;
pub use doors::{Door, MAX_DOORS};
pub use durable::replace_file;
pub use error::{Error, Family};
pub use geopackage::{GeoColumn, GeoRow, GeoTable, GeoValue, write_geopackage};
pub use ground::{AdoptedSurvey, Ground, Standing, canonical_ring, decision_words, scope_words};
pub use growing::{GrowingMap, MOST_SOUNDINGS};
pub use handed::{backup_bytes, import_bytes, parcel_bytes, read_parcel_bytes, restore_bytes};
pub use home::{Home, KnownSurvey};
pub use import::{
    ClosedLeg, ImportRequest, Imported, LiveLog, files_of, import_file, import_journal, import_logs,
    look_into,
};
pub use invite::InviteText;
/// Files of gauge levels: their options, units and zones.
pub use leadline_ingest::gauge;
/// What logs are and what of them was understood.
pub use leadline_ingest::{Good, Kind, Report};
/// What a device may do in a crew.
pub use leadline_logbook::{Crew, CrewMember, Dismissed, Role};
/// What answers are made of.
pub use leadline_reduce::{
    BoatFound, BoatTally as BoatCounts, Conditions, CopyFound, Counts as SoundingCounts, DatumFound,
    DayFound, Differences, Dispute, DraftSource, Found, Proposal, Reduced, Rival, Settings, SoundSource,
    Spread, StageHow, StageUsed, Tally, Term, Why,
};
/// What a parcel says of itself, and how it ended.
pub use leadline_sync::{ParcelEnd, ParcelHeader, ParcelPart, ParcelTerms};
/// What is fetched from other devices.
pub use leadline_sync::{Part, TileArea, Wants};
pub use ledger::{Ledger, LedgerRow};
pub use levels::{ImportedLevels, import_levels};
pub use marks::{KnownMark, mark_note, remove_mark, share_mark};
pub use only::Only;
pub use parcel::{
    LEAST_PART_BYTES, LockKind, ParcelArea, ParcelLock, ParcelRead, ParcelRequest, ParcelSeen, Since,
    WrittenParcel, inspect_locked_parcel, inspect_parcel, read_parcel, read_parcels, write_parcel,
    write_parcels,
};
pub use provisional::{OpenLeg, OpenPoint, open_legs, show_open_leg};
pub use prune::{KeptOriginal, kept_originals, remove_originals};
pub use query::{Computed, Explained};
pub use room::{LOW_ROOM, free_room};
pub use secrets::{KnownSecret, SECRETS_MAX, SecretRing};
pub use store::{Accepted, Counts, Peer, Quarantined, Repaired, Store, StoreReport, Written};
pub use trim::{MAX_TRIMS, Trim};
pub use underway::{OVER_MS, Underway, open_soundings, show_open_soundings, show_underway, underway};
