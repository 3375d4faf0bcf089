//! The map page, served from the program itself: no outside tiles, fonts or scripts.
//!
//! [`serve`] opens a door on the loopback address, or on the local network ([`Settings::lan`]: read-only, and only
//! for browsers that came in by the link). The page asks for depth tiles, layers and single places; what it writes
//! goes into the survey's store as any command's would. It knows nothing of the network between devices: meetings
//! come through [`Meetings`], which the program plugs in.

mod acts;
mod answer;
mod asked;
mod assets;
mod backup;
mod change;
mod chart;
mod door;
mod events;
mod filters;
mod growing;
mod import;
mod kept;
mod layers;
mod level;
mod line;
mod meet;
mod pace;
mod parcel;
mod passes;
mod place;
mod pocket;
mod refusal;
mod routes;
mod server;
mod shown;
mod site;
mod steering;
mod tiles;
mod underway;

pub use meet::{Invited, Meeting, Meetings, Moved, NearDevice, NoMeetings};
pub use pocket::{Pocket, pocket_chart};
pub use server::{Serving, Settings, ViewError, serve};
pub use shown::{Shown, surface_of};
