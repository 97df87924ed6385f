//! CBOR seen a second time, in the plainest way: where items lie, and what a strict reader takes.

/// An item: where it starts, how long its head is, where it ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Item {
    pub(super) start: usize,
    pub(super) head: usize,
    pub(super) end: usize,
    pub(super) major: u8,
    pub(super) value: u64,
}

/// Reads a head: major type, value, its length.
fn head(bytes: &[u8], at: usize) -> Option<(u8, u64, usize)> {
    let first = *bytes.get(at)?;
    let more = match first & 31 {
        n @ 0..=23 => return Some((first >> 5, u64::from(n), 1)),
        n @ 24..=27 => 1usize << (n - 24),
        _ => return None,
    };
    let value = bytes.get(at + 1..at + 1 + more)?.iter().fold(0u64, |v, b| v << 8 | u64::from(*b));
    Some((first >> 5, value, 1 + more))
}

/// Writes a head with the fewest bytes.
pub(super) fn put_head(out: &mut Vec<u8>, major: u8, value: u64) {
    let bytes = value.to_be_bytes();
    let (extra, skip) = match value {
        0..=23 => (value as u8, 8),
        24..=0xff => (24, 7),
        0x100..=0xffff => (25, 6),
        0x1_0000..=0xffff_ffff => (26, 4),
        _ => (27, 0),
    };
    out.push(major << 5 | extra);
    out.extend_from_slice(&bytes[skip..]);
}

/// A byte string.
pub(super) fn byte_string(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    put_head(&mut out, 2, bytes.len() as u64);
    out.extend_from_slice(bytes);
    out
}

/// All items, those inside byte strings too, as far as they can be made out.
pub(super) fn items(bytes: &[u8]) -> Vec<Item> {
    let mut found = Vec::new();
    let mut at = 0;
    while at < bytes.len() && found.len() < 4096 {
        match walk(bytes, at, bytes.len(), 0, &mut found) {
            Some(end) => at = end,
            None => break,
        }
    }
    found
}

fn walk(bytes: &[u8], at: usize, limit: usize, depth: u8, found: &mut Vec<Item>) -> Option<usize> {
    let (major, value, len) = head(bytes, at)?;
    let place = found.len();
    found.push(Item { start: at, head: len, end: limit, major, value });
    let content = at + len;
    let end = match major {
        2 | 3 => {
            let end = content.checked_add(usize::try_from(value).ok()?).filter(|e| *e <= limit)?;
            if major == 2 && depth < 12 && end > content {
                let before = found.len();
                if walk(bytes, content, end, depth + 1, found) != Some(end) {
                    found.truncate(before);
                }
            }
            end
        }
        4..=6 if depth < 24 => {
            let count = match major {
                4 => value,
                5 => value.checked_mul(2)?,
                _ => 1,
            };
            let mut end = content;
            for _ in 0..count.min(limit as u64 + 1) {
                end = walk(bytes, end, limit, depth + 1, found)?;
            }
            end
        }
        4..=6 => return None,
        _ => content,
    };
    if end > limit {
        return None;
    }
    found.get_mut(place)?.end = end;
    Some(end)
}

/// Whether a strict reader takes `bytes` as one item: RFC 8949 section 4.2.1 and the restrictions of
/// this project, `depth` levels deep.
pub(super) fn strict(bytes: &[u8], depth: u8) -> bool {
    strict_item(bytes, 0, depth) == Some(bytes.len())
}

fn strict_item(bytes: &[u8], at: usize, depth: u8) -> Option<usize> {
    let (major, value, len) = head(bytes, at)?;
    let mut shortest = Vec::new();
    put_head(&mut shortest, major, value);
    // Simple values have their own rule below.
    if major != 7 && shortest.len() != len {
        return None;
    }
    let content = at + len;
    match major {
        0 | 1 => Some(content),
        2 | 3 => {
            let end = content.checked_add(usize::try_from(value).ok()?)?;
            let inside = bytes.get(content..end)?;
            (major == 2 || std::str::from_utf8(inside).is_ok()).then_some(end)
        }
        7 => (len == 1 && matches!(value, 20..=22)).then_some(content),
        6 if !matches!(value, 18 | 96 | 107) => None,
        // What is empty opens no level.
        4 | 5 if value == 0 => Some(content),
        _ if depth == 0 => None,
        5 => {
            let mut end = content;
            let mut last: Option<&[u8]> = None;
            for _ in 0..value {
                let after = strict_item(bytes, end, depth - 1)?;
                let key = &bytes[end..after];
                if last.is_some_and(|l| l >= key) {
                    return None;
                }
                last = Some(key);
                end = strict_item(bytes, after, depth - 1)?;
            }
            Some(end)
        }
        _ => {
            let count = if major == 4 { value } else { 1 };
            let mut end = content;
            for _ in 0..count {
                end = strict_item(bytes, end, depth - 1)?;
            }
            Some(end)
        }
    }
}
