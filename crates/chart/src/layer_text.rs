//! Values of layers as text.

use crate::units::{fixed, short};
use crate::{Column, Kind, Value};
use leadline_model::escaped;

/// What a value looks like in a text format.
pub(crate) enum Written {
    /// A number or a flag: stands without quotation marks.
    Bare(String),
    /// Words: to be quoted as the format does. Control characters and direction overrides are visible.
    Words(String),
}

impl Written {
    /// Either, unquoted.
    pub(crate) fn text(self) -> String {
        match self {
            Self::Bare(t) | Self::Words(t) => t,
        }
    }
}

impl Column {
    /// `value` as the text formats show it: numbers rounded to the column's decimals, words escaped, what is no
    /// number unknown. For stores with types of their own, so that all formats hold the same.
    pub fn as_written(&self, value: &Value) -> Value {
        match (value, written(self, value)) {
            (_, None) => Value::Unknown,
            (Value::Number(v), Some(w)) => Value::Number(w.text().parse().unwrap_or(*v)),
            (Value::Text(_), Some(w)) => Value::Text(w.text()),
            (other, Some(_)) => other.clone(),
        }
    }
}

/// `value` of `column` as text; `None` where it is unknown or no number.
pub(crate) fn written(column: &Column, value: &Value) -> Option<Written> {
    match value {
        Value::Number(v) if v.is_finite() => Some(Written::Bare(match column.kind {
            Kind::Number { decimals } => fixed(*v, usize::from(decimals)),
            _ => short(*v),
        })),
        Value::Whole(v) => Some(Written::Bare(v.to_string())),
        Value::Flag(v) => Some(Written::Bare(v.to_string())),
        Value::Text(t) => Some(Written::Words(escaped(t))),
        Value::Time(t) => Some(Written::Words(t.to_string())),
        Value::Number(_) | Value::Unknown => None,
    }
}
