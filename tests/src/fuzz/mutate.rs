//! Changing inputs.

use super::cbor::{Item, byte_string, items, put_head};
use super::random::Random;

/// Numbers at which something changes: heads of CBOR, integer widths, limits of this project.
const EDGES: [u64; 26] = [
    0,
    1,
    2,
    15,
    16,
    17,
    23,
    24,
    31,
    32,
    127,
    128,
    255,
    256,
    512,
    1024,
    2048,
    4095,
    4096,
    4097,
    0x7fff,
    0xffff,
    0x7fff_ffff,
    0xffff_ffff,
    0x7fff_ffff_ffff_ffff,
    u64::MAX,
];

/// An input made from those kept: one to five changes, at most `longest` bytes.
pub(super) fn mutated(kept: &[Vec<u8>], random: &mut Random, longest: usize) -> Vec<u8> {
    let mut input = random.pick(kept).cloned().unwrap_or_default();
    for _ in 0..=random.below(5) {
        let other = random.pick(kept).map_or(&[][..], Vec::as_slice);
        if random.once_in(2) {
            plain(&mut input, other, random);
        } else {
            shaped(&mut input, other, random);
        }
    }
    input.truncate(longest);
    input
}

/// A range in `len` bytes, mostly short.
fn range(len: usize, random: &mut Random) -> std::ops::Range<usize> {
    let start = random.below(len + 1);
    let most = if random.once_in(4) { len } else { 16 };
    start..start + random.below((len - start).min(most) + 1)
}

/// Changes that know nothing of the format.
fn plain(input: &mut Vec<u8>, other: &[u8], random: &mut Random) {
    let at = random.below(input.len());
    match random.below(10) {
        0 | 1 => {
            if let Some(b) = input.get_mut(at) {
                *b ^= 1 << random.below(8);
            }
        }
        2 => {
            let edge = EDGES[random.below(EDGES.len())] as u8;
            if let Some(b) = input.get_mut(at) {
                *b = edge;
            }
        }
        3 => {
            // A number of two, four or eight bytes, in either order.
            let edge = EDGES[random.below(EDGES.len())];
            let width = 2 << random.below(3);
            let bytes: Vec<u8> = if random.once_in(2) {
                edge.to_le_bytes()[..width].to_vec()
            } else {
                edge.to_be_bytes()[8 - width..].to_vec()
            };
            if let Some(place) = input.get_mut(at..at + width) {
                place.copy_from_slice(&bytes);
            }
        }
        4 => input.truncate(at),
        5 => {
            let range = range(input.len(), random);
            input.drain(range);
        }
        6 => {
            let copy = input[range(input.len(), random)].to_vec();
            let to = random.below(input.len() + 1);
            input.splice(to..to, copy);
        }
        7 => {
            let from = range(other.len(), random);
            let into = range(input.len(), random);
            input.splice(into, other[from].iter().copied());
        }
        8 => {
            // The front of one, the back of another.
            input.truncate(at);
            input.extend_from_slice(&other[random.below(other.len() + 1)..]);
        }
        _ => {
            let b = random.next() as u8;
            let most = if random.once_in(8) { 300 } else { 4 };
            let n = 1 + random.below(most);
            let to = random.below(input.len() + 1);
            input.splice(to..to, std::iter::repeat_n(b, n));
        }
    }
}

/// Changes of whole CBOR items. The byte strings around them keep their lengths right, or not.
fn shaped(input: &mut Vec<u8>, other: &[u8], random: &mut Random) {
    let all = items(input);
    let Some(item) = random.pick(&all).copied() else { return plain(input, other, random) };
    let old = input[item.start..item.end].to_vec();
    let new = match random.below(9) {
        // Another number in its head: a value, a length, a count.
        0 | 1 => {
            let value = match random.below(4) {
                0 => item.value.wrapping_add(1),
                1 => item.value.wrapping_sub(1),
                _ => EDGES[random.below(EDGES.len())],
            };
            let mut new = Vec::new();
            put_head(&mut new, item.major, value);
            new.extend_from_slice(&old[item.head.min(old.len())..]);
            new
        }
        2 => [old.as_slice(), old.as_slice()].concat(),
        3 => Vec::new(),
        4 => {
            let theirs = items(other);
            match random.pick(&theirs) {
                Some(i) => other[i.start..i.end].to_vec(),
                None => old,
            }
        }
        5 => {
            let all_ours = random.pick(&all).copied().unwrap_or(item);
            input[all_ours.start..all_ours.end].to_vec()
        }
        // Nesting.
        6 => {
            let deep = [1, 2, 7, 8, 9, 17, 40][random.below(7)];
            let wrap = [0x81u8, 0xd8, 0xa1][random.below(3)];
            let mut new = Vec::new();
            for _ in 0..deep {
                new.push(wrap);
                match wrap {
                    0xd8 => new.push(107),
                    0xa1 => new.push(0),
                    _ => {}
                }
            }
            new.extend_from_slice(&old);
            new
        }
        7 => byte_string(&old),
        _ => {
            let mut new = old;
            if let Some(first) = new.first_mut() {
                *first = (*first & 31) | (random.next() as u8) << 5;
            }
            new
        }
    };
    replace(input, &all, item, &new, !random.once_in(4));
}

/// Puts `new` in the place of `item`; with `fit`, strings around it get their new lengths.
fn replace(input: &mut Vec<u8>, all: &[Item], item: Item, new: &[u8], fit: bool) {
    let grown = new.len() as i64 - (item.end - item.start) as i64;
    input.splice(item.start..item.end, new.iter().copied());
    if !fit {
        return;
    }
    // From the inside out, so that a head that grows is seen by those around it.
    let mut around: Vec<Item> =
        all.iter().copied().filter(|i| i.start < item.start && i.end >= item.end && i.major == 2).collect();
    around.sort_by_key(|i| std::cmp::Reverse(i.start));
    let mut grown = grown;
    for string in around {
        let Ok(len) = u64::try_from(string.value as i64 + grown) else { return };
        let mut head = Vec::new();
        put_head(&mut head, 2, len);
        grown += head.len() as i64 - string.head as i64;
        input.splice(string.start..string.start + string.head, head);
    }
}
