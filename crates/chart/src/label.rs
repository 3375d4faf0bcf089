//! The short name a feature has on another program's map.

use crate::layer_text::written;
use crate::{Column, Feature, Layer, Units, Value};

impl Layer {
    /// Its own `name`, else its depth or depths in `units` cut on the shoal side, else the layer's title.
    pub(crate) fn label(&self, f: &Feature, units: Units) -> String {
        let find = |name: &str| self.columns.iter().zip(&f.values).find(|(c, _)| c.name == name);
        let number = |name: &str| match find(name) {
            Some((_, Value::Number(v))) if v.is_finite() => Some(*v),
            _ => None,
        };
        let sign = units.sign();
        if let Some((_, Value::Text(name))) = find("name") {
            return name.clone();
        }
        if let Some(level) = number("VALDCO") {
            return format!("{} {sign}", units.level_text(level));
        }
        match (number("DRVAL1"), number("DRVAL2")) {
            (Some(a), Some(b)) => {
                return format!("{} to {} {sign}", units.level_text(a), units.level_text(b));
            }
            (Some(a), None) => return format!("{} {sign} and more", units.level_text(a)),
            (None, Some(b)) => return format!("less than {} {sign}", units.level_text(b)),
            (None, None) => {}
        }
        number("depth_m").map_or_else(|| self.title.clone(), |d| format!("{} {sign}", units.shoal_text(d)))
    }

    /// All known values in words: `depth_m 4.120, grade sure`.
    pub(crate) fn told(&self, f: &Feature) -> String {
        let one = |(c, v): (&Column, &Value)| Some(format!("{} {}", c.name, written(c, v)?.text()));
        self.columns.iter().zip(&f.values).filter_map(one).collect::<Vec<_>>().join(", ")
    }
}
