//! Columns to packed bytes and back. Each column says how its values are written (see the strip's layout in
//! docs/format.md); the reader takes any way, so a later packer may choose better without a new layout.

use super::coder::{Decoder, Encoder, Odds};
use super::columns::{COLUMNS, Columns, put_varint, take_varint, unzigzag, zigzag};

/// How one column is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// One value for all.
    Constant = 0,
    /// Differences, in steps of their greatest common divisor.
    Differences = 1,
    /// Differences of differences.
    Bends = 2,
    /// A sorted table of the values, then their places in it.
    Table = 3,
}

/// Values a table may have.
const TABLE: usize = 64;
/// Bits of a coded number at most: what any column needs, and what stops a long march through invented bits.
const MAX_BITS: usize = 40;

/// `head`, what each column needs to be read, then all coded numbers.
pub(super) fn pack(head: Vec<u8>, columns: &Columns) -> Vec<u8> {
    let mut head = head;
    let coded: Vec<_> = columns.iter().map(|c| write_way(&mut head, c)).collect();
    let mut coder = Encoder::after(head);
    for numbers in coded.iter().filter(|n| !n.is_empty()) {
        let mut model = Model::new();
        numbers.iter().for_each(|n| model.put(&mut coder, *n));
    }
    coder.finish()
}

/// The columns of `count` soundings that fill all of `bytes`.
pub(super) fn unpack(bytes: &[u8], count: usize) -> Option<Columns> {
    let mut rest = bytes;
    let heads: Vec<Head> = (0..COLUMNS).map(|_| read_head(&mut rest, count)).collect::<Option<_>>()?;
    let mut coder = Decoder::new(rest);
    let mut columns = Columns::default();
    for (column, head) in columns.iter_mut().zip(&heads) {
        *column = read_column(&mut coder, head, count)?;
    }
    coder.is_done().then_some(columns)
}

/// What stands before the coded numbers of a column.
struct Head {
    way: Way,
    /// First value; of a table nothing.
    first: i64,
    /// Of differences.
    step: i64,
    table: Vec<i64>,
}

/// Chooses the way with the fewest bits, writes its head, and gives back the numbers that remain to be coded.
fn write_way(head: &mut Vec<u8>, column: &[i64]) -> Vec<u64> {
    let first = column[0];
    if column.iter().all(|v| *v == first) {
        head.push(Way::Constant as u8);
        put_varint(head, zigzag(first));
        return Vec::new();
    }
    let differences: Vec<i64> = column.windows(2).map(|w| w[1] - w[0]).collect();
    let step = differences.iter().fold(0, |g, d| gcd(g, d.unsigned_abs())).max(1) as i64;
    let flat: Vec<u64> = differences.iter().map(|d| zigzag(d / step)).collect();
    let bends: Vec<u64> = std::iter::once(0)
        .chain(differences.iter().copied())
        .zip(&differences)
        .map(|(before, d)| zigzag(d - before))
        .collect();
    let table = table_of(column);
    let placed: Option<Vec<u64>> = table.as_ref().map(|t| places(t, column));
    // A table's own bytes count; eight bits a value is about what they take.
    let table_bits = |p: &Vec<u64>| bits(p) + 8 * table.as_ref().map_or(0, Vec::len);
    match placed {
        Some(p) if table_bits(&p) < bits(&flat).min(bits(&bends)) => {
            head.push(Way::Table as u8);
            let table = table.unwrap_or_default();
            put_varint(head, table.len() as u64);
            put_varint(head, zigzag(table[0]));
            table.windows(2).for_each(|w| put_varint(head, (w[1] - w[0]) as u64));
            p
        }
        _ if bits(&bends) < bits(&flat) => {
            head.push(Way::Bends as u8);
            put_varint(head, zigzag(first));
            bends
        }
        _ => {
            head.push(Way::Differences as u8);
            put_varint(head, zigzag(first));
            put_varint(head, step as u64);
            flat
        }
    }
}

fn read_head(bytes: &mut &[u8], count: usize) -> Option<Head> {
    let (code, rest) = bytes.split_first()?;
    *bytes = rest;
    let mut head = Head { way: Way::Constant, first: 0, step: 1, table: Vec::new() };
    head.way = match code {
        0 => Way::Constant,
        1 => Way::Differences,
        2 => Way::Bends,
        3 => Way::Table,
        _ => return None,
    };
    if head.way == Way::Table {
        let len = usize::try_from(take_varint(bytes)?).ok().filter(|n| (2..=TABLE.min(count)).contains(n))?;
        let mut value = unzigzag(take_varint(bytes)?);
        head.table.push(value);
        for _ in 1..len {
            value = value.checked_add_unsigned(take_varint(bytes)?)?;
            head.table.push(value);
        }
    } else {
        head.first = unzigzag(take_varint(bytes)?);
        if head.way == Way::Differences {
            head.step = i64::try_from(take_varint(bytes)?).ok().filter(|s| *s >= 1)?;
        }
    }
    Some(head)
}

fn read_column(coder: &mut Decoder<'_>, head: &Head, count: usize) -> Option<Vec<i64>> {
    if head.way == Way::Constant {
        return Some(vec![head.first; count]);
    }
    let mut model = Model::new();
    let mut next = || {
        let n = model.take(coder)?;
        (!coder.ran_dry()).then_some(n)
    };
    if head.way == Way::Table {
        return (0..count).map(|_| head.table.get(usize::try_from(next()?).ok()?).copied()).collect();
    }
    let mut column = Vec::with_capacity(count);
    let (mut value, mut slope) = (head.first, 0i64);
    column.push(value);
    for _ in 1..count {
        let n = unzigzag(next()?);
        slope = if head.way == Way::Bends { slope.checked_add(n)? } else { n.checked_mul(head.step)? };
        value = value.checked_add(slope)?;
        column.push(value);
    }
    Some(column)
}

/// Sorted values, if there are few enough.
fn table_of(column: &[i64]) -> Option<Vec<i64>> {
    let mut table: Vec<i64> = Vec::new();
    for v in column {
        if let Err(at) = table.binary_search(v) {
            if table.len() == TABLE {
                return None;
            }
            table.insert(at, *v);
        }
    }
    Some(table)
}

fn places(table: &[i64], column: &[i64]) -> Vec<u64> {
    column.iter().map(|v| table.binary_search(v).map_or(0, |i| i as u64)).collect()
}

fn bits(numbers: &[u64]) -> usize {
    numbers.iter().map(|n| 1 + length(*n)).sum()
}

fn length(n: u64) -> usize {
    (u64::BITS - n.leading_zeros()) as usize
}

fn gcd(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Odds of one column's numbers: first how many bits (in unary), then the bits below the topmost, each by those
/// before it; in long numbers only the upper ones have odds of their own.
struct Model {
    lengths: [Odds; MAX_BITS + 1],
    short: [Odds; 1 << SHORT],
    long: [Odds; (MAX_BITS + 1) << UPPER],
}

const SHORT: usize = 8;
const UPPER: usize = 4;

impl Model {
    fn new() -> Self {
        Self {
            lengths: [Odds::EVEN; MAX_BITS + 1],
            short: [Odds::EVEN; 1 << SHORT],
            long: [Odds::EVEN; (MAX_BITS + 1) << UPPER],
        }
    }

    fn put(&mut self, coder: &mut Encoder, n: u64) {
        let length = length(n);
        debug_assert!(length <= MAX_BITS, "a field of a sounding spans at most 34 bits, its bends 36");
        for (i, odds) in self.lengths.iter_mut().enumerate().take(length + 1) {
            coder.put(odds, i < length);
        }
        let mut so_far = 1u64;
        for bit in (0..length.saturating_sub(1)).rev() {
            let yes = n >> bit & 1 == 1;
            match self.odds(length, so_far) {
                Some(odds) => coder.put(odds, yes),
                None => coder.put(&mut { Odds::EVEN }, yes),
            }
            so_far = so_far << 1 | u64::from(yes);
        }
    }

    fn take(&mut self, coder: &mut Decoder<'_>) -> Option<u64> {
        let mut length = 0;
        while coder.take(self.lengths.get_mut(length)?) {
            length += 1;
        }
        if length == 0 {
            return Some(0);
        }
        // As `odds` has it, with the choice of the table out of the loop.
        let mut so_far = 1usize;
        if length <= SHORT {
            let short = self.short.get_mut(1 << (length - 1)..)?;
            for _ in 1..length {
                so_far = so_far << 1 | usize::from(coder.take(short.get_mut(so_far)?));
            }
            return Some(so_far as u64);
        }
        let long = self.long.get_mut(length << UPPER..)?;
        for _ in 0..UPPER {
            so_far = so_far << 1 | usize::from(coder.take(long.get_mut(so_far)?));
        }
        for _ in UPPER + 1..length {
            so_far = so_far << 1 | usize::from(coder.take(&mut { Odds::EVEN }));
        }
        Some(so_far as u64)
    }

    /// `so_far` is the number's beginning, topmost bit first: 1 to 2^(length-1) - 1, so that all short numbers
    /// together have 2^SHORT places.
    fn odds(&mut self, length: usize, so_far: u64) -> Option<&mut Odds> {
        let so_far = usize::try_from(so_far).ok()?;
        if length <= SHORT {
            self.short.get_mut(1 << (length - 1) | so_far)
        } else if so_far < 1 << UPPER {
            self.long.get_mut(length << UPPER | so_far)
        } else {
            None
        }
    }
}
