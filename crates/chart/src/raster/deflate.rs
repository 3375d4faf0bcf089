//! Compressed bytes, always by the same code, so that they are the same everywhere.

use miniz_oxide::deflate::{compress_to_vec, compress_to_vec_zlib};

/// Level 6 of 10: beyond it surfaces get hardly smaller and much slower.
const LEVEL: u8 = 6;

/// A zlib stream (RFC 1950).
pub(crate) fn zlib(bytes: &[u8]) -> Vec<u8> {
    compress_to_vec_zlib(bytes, LEVEL)
}

/// A gzip member (RFC 1952) without name or time.
pub(crate) fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut out = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
    out.extend(compress_to_vec(bytes, LEVEL));
    out.extend(crc32(&[bytes]).to_le_bytes());
    out.extend((bytes.len() as u32).to_le_bytes());
    out
}

/// CRC-32 of the parts one after the other (ISO 3309, as in RFC 1952 section 8 and the PNG specification's annex D).
pub(crate) fn crc32(parts: &[&[u8]]) -> u32 {
    let mut c = u32::MAX;
    for byte in parts.iter().copied().flatten() {
        c = TABLE[((c ^ u32::from(*byte)) & 0xff) as usize] ^ (c >> 8);
    }
    !c
}

const TABLE: [u32; 256] = table();

const fn table() -> [u32; 256] {
    let mut table = [0; 256];
    let mut n = 0;
    while n < 256 {
        let mut c = n as u32;
        let mut k = 0;
        while k < 8 {
            c = if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 };
            k += 1;
        }
        table[n] = c;
        n += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn check_value_of_the_catalogue() {
        // Source: catalogue of parametrised CRC algorithms (reveng), CRC-32/ISO-HDLC: check = 0xcbf43926.
        assert_eq!(crc32(&[b"1234", b"56789"]), 0xcbf4_3926);
    }
}
