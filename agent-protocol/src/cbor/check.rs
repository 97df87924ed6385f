//! The scan that everything passes before it is read.

use super::{CborFault, CborKind};
use heapless::Vec;

/// Deepest nesting that [`check`] can follow; [`Limits::depth`] is cut to it.
pub const MAX_DEPTH: usize = 16;
/// Most entries in one map under [`MapOrder::Any`].
pub const MAX_UNORDERED: u64 = 16;

/// What [`check`] asks of map keys.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MapOrder {
    /// Keys in bytewise order of their encoding (RFC 8949 section 4.2.1).
    #[default]
    Sorted,
    /// Any order, at most [`MAX_UNORDERED`] entries. For COSE messages only, whose published
    /// examples are not all sorted. A key that occurs twice is refused all the same.
    Any,
}

/// What [`check`] accepts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// How deep arrays, maps and tags may nest. Costs 64 bytes of stack per level whatever is set.
    pub depth: u8,
    /// What is asked of map keys.
    pub order: MapOrder,
}

impl Default for Limits {
    /// Eight levels: two more than the deepest byte string of a SUIT manifest needs.
    fn default() -> Self {
        Self { depth: 8, order: MapOrder::Sorted }
    }
}

impl Limits {
    /// For COSE messages: map keys in any order.
    pub const COSE: Self = Self { depth: 8, order: MapOrder::Any };
}

/// An array, map or tag whose content is being read.
struct Open {
    /// Items that must still come; a map counts keys and values.
    left: u64,
    /// Whether it is a map.
    map: bool,
    /// Where its content starts.
    first: usize,
    /// Where the item in hand starts.
    item: usize,
    /// The key before the one in hand.
    last_key: Option<(usize, usize)>,
}

/// Checks that `bytes` are exactly one item in the form that this project accepts.
///
/// That is: well-formed; in deterministic encoding (shortest heads, definite lengths, sorted map
/// keys, none twice); texts in UTF-8; no floating-point numbers; no simple values but false, true
/// and null; no tags but 18, 96 and 107; not nested deeper than `limits` say; nothing behind it.
/// The content of byte strings is not looked at. Time grows with the length of the input, stack
/// use is fixed, and no claimed length is believed before it was compared with what is there.
///
/// # Errors
/// [`CborFault`], the first thing wrong and its byte offset.
///
/// # Source
/// RFC 8949 sections 3, 4.2.1 and appendix C; the restrictions are ours.
pub fn check(bytes: &[u8], limits: Limits) -> Result<(), CborFault> {
    let depth = usize::from(limits.depth).min(MAX_DEPTH);
    let mut open: Vec<Open, MAX_DEPTH> = Vec::new();
    let mut at = 0;
    loop {
        let start = at;
        let fault = |kind| CborFault { at: start, kind };
        let head = Head::read(bytes, at)?;
        at += head.len;
        let left = match head.major {
            0 | 1 => 0,
            2 | 3 => {
                let content = slice(bytes, at, head.value).ok_or(fault(CborKind::Truncated))?;
                if head.major == 3 && core::str::from_utf8(content).is_err() {
                    return Err(fault(CborKind::Utf8));
                }
                at += content.len();
                0
            }
            4 => head.value,
            5 if limits.order == MapOrder::Any && head.value > MAX_UNORDERED => {
                return Err(fault(CborKind::TooManyKeys));
            }
            5 => head.value.checked_mul(2).ok_or(fault(CborKind::Truncated))?,
            6 if matches!(head.value, 18 | 96 | 107) => 1,
            6 => return Err(fault(CborKind::Tag)),
            _ => head.simple(start)?,
        };
        // Every item takes at least one byte.
        if left > (bytes.len() - at) as u64 {
            return Err(fault(CborKind::Truncated));
        }
        if left > 0 {
            let item = Open { left, map: head.major == 5, first: at, item: at, last_key: None };
            if open.len() >= depth || open.push(item).is_err() {
                return Err(fault(CborKind::Depth));
            }
            continue;
        }
        // The item is complete, and perhaps what it stands in.
        loop {
            let Some(around) = open.last_mut() else {
                return if at == bytes.len() {
                    Ok(())
                } else {
                    Err(CborFault { at, kind: CborKind::Trailing })
                };
            };
            around.item_done(bytes, at, limits.order)?;
            if around.left > 0 {
                break;
            }
            open.pop();
        }
    }
}

impl Open {
    /// Takes note that the item in hand ends at `end`.
    fn item_done(&mut self, bytes: &[u8], end: usize, order: MapOrder) -> Result<(), CborFault> {
        if self.map && self.left.is_multiple_of(2) {
            let fault = |kind| CborFault { at: self.item, kind };
            let key = bytes.get(self.item..end);
            match order {
                MapOrder::Sorted => {
                    if let Some((from, to)) = self.last_key {
                        match bytes.get(from..to).cmp(&key) {
                            core::cmp::Ordering::Less => {}
                            core::cmp::Ordering::Equal => return Err(fault(CborKind::DuplicateKey)),
                            core::cmp::Ordering::Greater => return Err(fault(CborKind::KeyOrder)),
                        }
                    }
                    self.last_key = Some((self.item, end));
                }
                MapOrder::Any => {
                    let mut other = self.first;
                    while other < self.item {
                        let value = item_end(bytes, other)?;
                        if bytes.get(other..value) == key {
                            return Err(fault(CborKind::DuplicateKey));
                        }
                        other = item_end(bytes, value)?;
                    }
                }
            }
        }
        self.left -= 1;
        self.item = end;
        Ok(())
    }
}

/// Where the item at `at` ends. Meant for bytes that have been checked; on others it may answer
/// nonsense, but ends and stays inside them.
pub(crate) fn item_end(bytes: &[u8], mut at: usize) -> Result<usize, CborFault> {
    let mut left: u64 = 1;
    while left > 0 {
        let start = at;
        let head = Head::read(bytes, at)?;
        at += head.len;
        left -= 1;
        match head.major {
            2 | 3 => {
                let content = slice(bytes, at, head.value);
                at += content.ok_or(CborFault { at: start, kind: CborKind::Truncated })?.len();
            }
            4 => left = left.saturating_add(head.value),
            5 => left = left.saturating_add(head.value.saturating_mul(2)),
            6 => left = left.saturating_add(1),
            _ => {}
        }
    }
    Ok(at)
}

fn slice(bytes: &[u8], at: usize, len: u64) -> Option<&[u8]> {
    let end = at.checked_add(usize::try_from(len).ok()?)?;
    bytes.get(at..end)
}

/// The head of an item.
pub(super) struct Head {
    pub(super) major: u8,
    info: u8,
    pub(super) value: u64,
    pub(super) len: usize,
}

impl Head {
    pub(super) fn read(bytes: &[u8], at: usize) -> Result<Self, CborFault> {
        let fault = |kind| CborFault { at, kind };
        let end = CborFault { at: bytes.len(), kind: CborKind::Truncated };
        let first = *bytes.get(at).ok_or(end)?;
        let (major, info) = (first >> 5, first & 0x1f);
        let extra = match info {
            0..=23 => return Ok(Self { major, info, value: u64::from(info), len: 1 }),
            24..=27 => 1usize << (info - 24),
            31 if !matches!(major, 0 | 1 | 6) => return Err(fault(CborKind::Indefinite)),
            _ => return Err(fault(CborKind::Reserved)),
        };
        let tail = bytes.get(at + 1..at + 1 + extra).ok_or(end)?;
        let value = tail.iter().fold(0u64, |value, byte| value << 8 | u64::from(*byte));
        // The smallest value that needs this many bytes.
        let least = [24, 0x100, 0x1_0000, 0x1_0000_0000].get(usize::from(info - 24)).copied().unwrap_or(0);
        if major != 7 && value < least {
            return Err(fault(CborKind::NotShortest));
        }
        Ok(Self { major, info, value, len: 1 + extra })
    }

    /// For major type 7: false, true and null have no content; nothing else is accepted.
    fn simple(&self, at: usize) -> Result<u64, CborFault> {
        match self.info {
            20..=22 => Ok(0),
            25..=27 => Err(CborFault { at, kind: CborKind::Float }),
            _ => Err(CborFault { at, kind: CborKind::Simple }),
        }
    }
}
