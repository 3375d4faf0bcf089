//! stub
/// stub
pub fn chart_svg() {}
