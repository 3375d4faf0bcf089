//! Every bound on what comes from a peer or a file, in one value.

/// Bounds on entries, strips and frames. Sizes in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// One frame of a meeting or parcel.
    pub frame: usize,
    /// One entry, signature included.
    pub entry: usize,
    /// Writes in one entry.
    pub writes: usize,
    /// A document key.
    pub key: usize,
    /// Soundings in one strip.
    pub strip_soundings: usize,
    /// A packed strip.
    pub strip_packed: usize,
    /// A strip's columns after inflating.
    pub strip_inflated: usize,
    /// Devices a have-list may name.
    pub devices: usize,
    /// Contents kept of one (device, epoch, seq).
    pub fork_siblings: usize,
    /// Bytes of entries that wait or are quarantined, per peer.
    pub waiting: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            frame: 1 << 20,
            entry: 64 << 10,
            writes: 1024,
            key: 256,
            strip_soundings: 32_768,
            strip_packed: 512 << 10,
            strip_inflated: 4 << 20,
            devices: 256,
            fork_siblings: 8,
            waiting: 16 << 20,
        }
    }
}
