//! The one door to bincode, and bounded zstd.
//!
//! bincode 1.3.3: fixed-width little-endian integers, trailing bytes refused, a limit on every decode. Decodes
//! only from a slice, where a length prefix is checked against what is left before anything is allocated.

use bincode::Options;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Compression level of frames; strips have a packing of their own.
const ZSTD_LEVEL: i32 = 7;

/// Why bytes could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CodecError {
    /// More bytes than the limit for this kind of value.
    #[error("{got} bytes where at most {limit} are allowed")]
    TooLong {
        /// Bytes found.
        got: usize,
        /// Bytes allowed.
        limit: usize,
    },
    /// Not the expected layout: cut short, left-over bytes, or a value out of range.
    #[error("the bytes do not have the expected layout")]
    Layout,
    /// Not a zstd frame, or one that inflates beyond the limit.
    #[error("the packed bytes do not unpack within their limit")]
    Packing,
    /// The value cannot be encoded within the limit.
    #[error("the value is larger than its limit of {0} bytes")]
    Oversize(usize),
}

fn options(limit: usize) -> impl Options {
    bincode::DefaultOptions::new().with_limit(limit as u64).with_fixint_encoding().reject_trailing_bytes()
}

/// `value` as bytes, at most `limit` of them.
pub fn encode<T: Serialize>(value: &T, limit: usize) -> Result<Vec<u8>, CodecError> {
    options(limit).serialize(value).map_err(|_| CodecError::Oversize(limit))
}

/// The value that fills all of `bytes`.
pub fn decode<T: DeserializeOwned>(bytes: &[u8], limit: usize) -> Result<T, CodecError> {
    if bytes.len() > limit {
        return Err(CodecError::TooLong { got: bytes.len(), limit });
    }
    options(limit).deserialize(bytes).map_err(|_| CodecError::Layout)
}

/// `bytes` as one zstd frame.
pub fn pack(bytes: &[u8]) -> Result<Vec<u8>, CodecError> {
    zstd::bulk::compress(bytes, ZSTD_LEVEL).map_err(|_| CodecError::Packing)
}

/// The content of one zstd frame that states its size, at most `limit` bytes. What is allocated is that size; a
/// frame whose content is longer than it says is refused.
pub fn unpack(packed: &[u8], limit: usize) -> Result<Vec<u8>, CodecError> {
    let whole = zstd::zstd_safe::find_frame_compressed_size(packed).is_ok_and(|n| n == packed.len());
    let stated = zstd::zstd_safe::get_frame_content_size(packed).ok().flatten();
    match stated.and_then(|n| usize::try_from(n).ok()) {
        Some(size) if whole && size <= limit => {
            let out = zstd::bulk::decompress(packed, size).map_err(|_| CodecError::Packing)?;
            if out.len() == size { Ok(out) } else { Err(CodecError::Packing) }
        }
        _ => Err(CodecError::Packing),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn golden_bytes() {
        // The layout is frozen: little-endian fixed-width integers, u64 lengths, u32 variant numbers.
        let v: (u8, u32, i64, Option<u16>, Vec<u8>, [u8; 3]) = (1, 2, -3, Some(4), vec![5, 6], [7, 8, 9]);
        let bytes = encode(&v, 100).expect("small");
        let golden = [
            1, 2, 0, 0, 0, 0xfd, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1, 4, 0, 2, 0, 0, 0, 0, 0, 0, 0,
            5, 6, 7, 8, 9,
        ];
        assert_eq!(bytes, golden);
        assert_eq!(decode(&golden, 100), Ok(v));
    }

    #[test]
    fn refusals() {
        assert_eq!(decode::<u32>(&[1, 0, 0, 0, 9], 100), Err(CodecError::Layout));
        assert_eq!(decode::<u32>(&[1, 0, 0], 100), Err(CodecError::Layout));
        assert_eq!(decode::<u32>(&[0; 4], 3), Err(CodecError::TooLong { got: 4, limit: 3 }));
        // A length of 2^40 must not be allocated.
        let mut huge = (1u64 << 40).to_le_bytes().to_vec();
        huge.push(0);
        assert_eq!(decode::<Vec<u8>>(&huge, 1 << 20), Err(CodecError::Layout));
        assert_eq!(decode::<String>(&huge, 1 << 20), Err(CodecError::Layout));
        assert_eq!(encode(&vec![0u8; 100], 50), Err(CodecError::Oversize(50)));
    }

    #[test]
    #[cfg_attr(miri, ignore = "zstd is C, which Miri does not run")]
    fn bombs_and_tails_are_refused() {
        let bomb = pack(&vec![0; 5 << 20]).expect("packs");
        assert!(bomb.len() < 2000);
        assert_eq!(unpack(&bomb, 4 << 20), Err(CodecError::Packing));
        let mut tail = pack(b"abc").expect("packs");
        assert_eq!(unpack(&tail, 3).as_deref(), Ok(&b"abc"[..]));
        tail.push(0);
        assert_eq!(unpack(&tail, 3), Err(CodecError::Packing));
        assert_eq!(unpack(b"no frame", 3), Err(CodecError::Packing));
        assert_eq!(unpack(&[], 3), Err(CodecError::Packing));
    }
}
