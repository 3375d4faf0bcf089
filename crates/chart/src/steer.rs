//! What a boat under way asks of the chart: what lies ahead, how far off the line it is, which run comes next.
//!
//! Nothing here ever says that water is clear. Ahead there is water that may be touched, water of which nothing is
//! known, or as much as was looked at in which neither was found.

mod ahead;
mod line;
mod runs;

pub use ahead::{Ahead, Heading, LOOK_SECONDS, Met};
pub use line::{OffLine, Side};
pub use runs::{DRIVEN_SHARE, NextRun, Run, next_run};
