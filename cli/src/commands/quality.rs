//! `quality`: how good the soundings are.

use crate::args::Cli;
use crate::failure::Failure;

pub(crate) fn run(_: &Cli) -> Result<(), Failure> {
    Err(Failure::Input("this report is not built yet; `leadline status` has the grades".to_owned()))
}
