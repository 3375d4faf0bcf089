//! Medians of short lists.

/// Median of `values`, which it reorders; the mean of the middle two of an even number; `None` of nothing.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n <= 16 {
        insertion_sort(values);
        let high = *values.get(n / 2)?;
        return Some(if n % 2 == 1 { high } else { 0.5 * (high + values.get(n / 2 - 1)?) });
    }
    let (below, high, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let high = *high;
    let low = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(if n % 2 == 1 { high } else { 0.5 * (high + low) })
}

fn insertion_sort(values: &mut [f64]) {
    for i in 1..values.len() {
        let mut j = i;
        while j > 0 && values[j - 1] > values[j] {
            values.swap(j - 1, j);
            j -= 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_and_long_lists() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        let mut long: Vec<f64> = (0..101).map(|i| f64::from(i * 37 % 101)).collect();
        assert_eq!(median(&mut long), Some(50.0));
        let mut even: Vec<f64> = (0..100).map(|i| f64::from(i * 37 % 101)).collect();
        let mut sorted = even.clone();
        sorted.sort_by(f64::total_cmp);
        assert_eq!(median(&mut even), Some(0.5 * (sorted[49] + sorted[50])));
    }
}
