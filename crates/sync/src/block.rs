//! Blocks: byte strings one after the other, each behind its length (u32, little-endian).

/// Appends `item` to `block`.
pub(crate) fn append(block: &mut Vec<u8>, item: &[u8]) {
    // Items come from frames or are checked against a limit far below 4 GiB.
    let len = u32::try_from(item.len()).unwrap_or(u32::MAX);
    block.extend_from_slice(&len.to_le_bytes());
    block.extend_from_slice(item);
}

/// The items of a block; `None` if it is cut short or an item is longer than `longest`.
pub(crate) fn split(mut block: &[u8], longest: usize) -> Option<Vec<&[u8]>> {
    let mut items = Vec::new();
    while !block.is_empty() {
        let (len, rest) = block.split_first_chunk::<4>()?;
        let len = usize::try_from(u32::from_le_bytes(*len)).ok().filter(|l| *l <= longest)?;
        let (item, rest) = rest.split_at_checked(len)?;
        items.push(item);
        block = rest;
    }
    Some(items)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn items_come_back_and_cuts_are_seen() {
        let mut block = Vec::new();
        append(&mut block, b"ab");
        append(&mut block, b"");
        append(&mut block, b"c");
        assert_eq!(block, [2, 0, 0, 0, b'a', b'b', 0, 0, 0, 0, 1, 0, 0, 0, b'c']);
        assert_eq!(split(&block, 2), Some(vec![&b"ab"[..], b"", b"c"]));
        assert_eq!(split(&block, 1), None);
        for cut in [1, 5, 7, 14] {
            assert_eq!(split(&block[..cut], 2), None, "cut at {cut}");
        }
        assert_eq!(split(&[0xff; 8], usize::MAX), None);
    }
}
