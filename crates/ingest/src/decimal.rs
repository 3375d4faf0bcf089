//! Decimal fields as scaled integers: no float parsing on the way in, so every machine reads the same number.

/// A field that should be a number and is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Malformed;

/// A number times ten to the power asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Decimal {
    pub(crate) value: i64,
    /// Digits written behind the point.
    pub(crate) places: u8,
}

#[cfg(test)]
fn decimal(field: &[u8], scale: usize) -> Result<Option<i64>, Malformed> {
    Ok(decimal_with(field, scale, b'.')?.map(|d| d.value))
}

/// Reads `field` times 10^`scale`, rounded half away from zero, and the places as written; `None` if it is empty.
pub(crate) fn decimal_with(field: &[u8], scale: usize, mark: u8) -> Result<Option<Decimal>, Malformed> {
    let field = field.trim_ascii();
    let (negative, digits) = match field {
        [] => return Ok(None),
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, field),
    };
    let mut value = 0i64;
    let mut whole = 0;
    for &c in digits {
        if !c.is_ascii_digit() {
            break;
        }
        // Eighteen digits fit an i64: leading zeros count too, nobody writes so many.
        if whole + scale >= 18 {
            return Err(Malformed);
        }
        value = value * 10 + i64::from(c - b'0');
        whole += 1;
    }
    let fraction = match &digits[whole..] {
        [] => &[][..],
        [c, rest @ ..] if *c == mark => rest,
        _ => return Err(Malformed),
    };
    if whole + fraction.len() == 0 {
        return Err(Malformed);
    }
    let mut up = false;
    for (i, &c) in fraction.iter().enumerate() {
        if !c.is_ascii_digit() {
            return Err(Malformed);
        }
        if i < scale {
            value = value * 10 + i64::from(c - b'0');
        } else if i == scale {
            up = c >= b'5';
        }
    }
    for _ in fraction.len()..scale {
        value *= 10;
    }
    value += i64::from(up);
    let places = fraction.len().min(255) as u8;
    Ok(Some(Decimal { value: if negative { -value } else { value }, places }))
}

/// As [`decimal_with`], and a number with an exponent, as scientific programs write it.
pub(crate) fn decimal_or_scientific(field: &[u8], scale: usize, mark: u8) -> Result<Option<i64>, Malformed> {
    match decimal_with(field, scale, mark) {
        Ok(d) => Ok(d.map(|d| d.value)),
        Err(Malformed) => {
            let text = str::from_utf8(field.trim_ascii()).map_err(|_| Malformed)?;
            let number: f64 = text.parse().map_err(|_| Malformed)?;
            let scaled = (0..scale).fold(number, |n, _| n * 10.0);
            if scaled.abs() < 1e18 { Ok(Some((scaled + 0.5).floor() as i64)) } else { Err(Malformed) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_and_rounds() {
        for (text, scale, want) in [
            ("5.3", 3, Some(5300)),
            ("-0.7", 3, Some(-700)),
            ("+12", 0, Some(12)),
            (".5", 2, Some(50)),
            ("5.", 2, Some(500)),
            ("0.12345", 3, Some(123)),
            ("0.1235", 3, Some(124)),
            ("-0.1235", 3, Some(-124)),
            ("00518.8172", 7, Some(5_188_172_000)),
            ("  4 ", 0, Some(4)),
            ("", 3, None),
            ("  ", 3, None),
        ] {
            assert_eq!(decimal(text.as_bytes(), scale), Ok(want), "{text}");
        }
        for text in ["-", ".", "1,2", "1.2.3", "12a", "1e3", "9999999999999999999", "nan", "0x1"] {
            assert_eq!(decimal(text.as_bytes(), 3), Err(Malformed), "{text}");
        }
        assert_eq!(decimal_with(b"5,25", 3, b',').map(|d| d.map(|d| d.value)), Ok(Some(5250)));
        assert_eq!(decimal_or_scientific(b"5.31362e+00", 5, b'.'), Ok(Some(531_362)));
        assert_eq!(decimal_or_scientific(b"inf", 5, b'.'), Err(Malformed));
    }

    proptest! {
        #[test]
        fn agrees_with_the_standard_parser(n in -9_999_999i64..10_000_000, places in 0usize..6) {
            // The standard library's own formatting and parsing is the outside reference.
            let text = format!("{:.*}", places, n as f64 / 1000.0);
            let got = decimal(text.as_bytes(), 6).expect("a number").expect("not empty");
            let want: f64 = text.parse().expect("a number");
            prop_assert!((got as f64 - want * 1e6).abs() < 0.01, "{text}: {got}");
        }

        #[test]
        fn never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..40), scale in 0usize..10) {
            let _ = decimal(&bytes, scale);
            let _ = decimal_or_scientific(&bytes, scale, b',');
        }
    }
}
