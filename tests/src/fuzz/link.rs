//! An image on its way to the io chip over a link that loses, repeats, reorders and corrupts. The
//! input says what the link does with each exchange.

use super::random::Random;
use super::{Target, must, way};
use pintle_protocol::board::FlashFault;
use pintle_protocol::id::Digest;
use pintle_protocol::link::{
    Answer, Ask, FRAME_MAX, Loader, LoaderStore, Transfer, TransferEnd, decode_frame, encode_frame,
};

/// Far more exchanges than a transfer with all its repeats takes.
const MOST: usize = 60_000;
const SIZE: usize = 333;
/// How old a question can be that comes once more. A wire between two chips keeps none for long; one with
/// the number of the question at hand, 256 before, would bring an answer that passes for its answer.
const RECENT: usize = 255;

/// Most erases of one transfer to a chip that nothing disturbs but the wire: at the first beginning, and for old
/// questions that come once more.
const MOST_ERASES: usize = 40;

/// The io chip's flash: bits are only cleared, but by an erase.
struct Store {
    flash: Vec<u8>,
    mark: Option<(u32, Digest)>,
    erases: usize,
    /// The next operation fails.
    fails: bool,
}

impl Store {
    fn works(&mut self) -> Result<(), FlashFault> {
        if std::mem::take(&mut self.fails) { Err(FlashFault::Worn { address: 0 }) } else { Ok(()) }
    }
}

impl LoaderStore for Store {
    fn room(&self) -> u32 {
        self.flash.len() as u32
    }

    fn erase(&mut self, size: u32) -> Result<(), FlashFault> {
        self.erases += 1;
        self.works()?;
        self.flash[..size as usize].fill(0xff);
        Ok(())
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        self.works()?;
        let at = offset as usize;
        for (held, new) in self.flash[at..at + bytes.len()].iter_mut().zip(bytes) {
            *held &= new;
        }
        Ok(())
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        Ok(Digest::of(&self.flash[..size as usize]))
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        self.works()?;
        self.mark = whole;
        Ok(())
    }
}

/// The io chip: its application runs until it is told to leave for the loader.
struct Chip {
    store: Store,
    loader: Option<Loader>,
}

impl Chip {
    fn hear(&mut self, frame: &[u8]) -> Option<[u8; FRAME_MAX]> {
        let (kind, sequence, payload) = decode_frame(frame).ok()?;
        let ask = Ask::decode(kind, payload)?;
        let answer = match &mut self.loader {
            Some(loader) => match loader.handle(&ask, &mut self.store) {
                Ok(answer) => answer?,
                Err(_) => Answer::No,
            },
            None if ask == Ask::EnterLoader => {
                self.loader = Some(Loader::new());
                Answer::Done { next: 0 }
            }
            None if ask == Ask::Start => Answer::Done { next: 0 },
            None => Answer::No,
        };
        if ask == Ask::Start && matches!(answer, Answer::Done { .. }) && self.store.mark.is_some() {
            self.loader = None;
        }
        let (kind, payload) = answer.encode();
        let mut out = [0; FRAME_MAX];
        encode_frame(kind, sequence, &payload, &mut out)?;
        Some(out)
    }

    /// Nothing is marked whole but what is.
    fn check(&self) -> Result<(), String> {
        match self.store.mark {
            Some((size, digest)) => must(
                self.store.flash.get(..size as usize).is_some_and(|f| Digest::of(f) == digest),
                "an image is marked whole that is not",
            ),
            None => Ok(()),
        }
    }
}

fn corrupted(frame: &[u8], random: &mut Random) -> Vec<u8> {
    let mut frame = frame.to_vec();
    for _ in 0..=random.below(3) {
        let at = random.below(frame.len());
        if let Some(b) = frame.get_mut(at) {
            *b ^= 1 << random.below(8);
        }
    }
    frame
}

pub(super) fn target() -> Target {
    let image: Vec<u8> = (0..SIZE as u32).map(|n| (n * 37 % 241) as u8).collect();
    let check = move |script: &[u8]| transfer(&image, script);
    let seeds = vec![
        Vec::new(),
        vec![0; 30],
        (0..=255).collect(),
        vec![0, 0, 0, 0, 4, 0, 5, 0, 6, 0, 7, 0, 8, 0, 9, 0, 10, 0, 11],
    ];
    let mut target = Target::new("link-transfer", 10_000, seeds, Box::new(check));
    target.longest = 512;
    target
}

fn transfer(image: &[u8], script: &[u8]) -> Result<u64, String> {
    let digest = Digest::of(image);
    let mut random = Random::of(script);
    let mut chip =
        Chip { store: Store { flash: vec![0; 1024], mark: None, erases: 0, fails: false }, loader: None };
    let mut transfer = Transfer::new(SIZE as u32, digest);
    let mut sent: Vec<Vec<u8>> = Vec::new();
    let mut sequence = 0u8;
    for n in 0..MOST {
        if let Some(end) = transfer.ended() {
            chip.check()?;
            if end == TransferEnd::Taken {
                must(chip.store.mark == Some((SIZE as u32, digest)), "taken, but not in place")?;
            }
            return Ok(way(&(std::mem::discriminant(&end), n / 64)));
        }
        let piece = transfer.wants().map_or(&[][..], |(offset, len)| {
            image.get(offset as usize..offset as usize + len).unwrap_or_default()
        });
        let Some(ask) = transfer.ask(piece) else { continue };
        let (kind, payload) = ask.encode();
        sequence = sequence.wrapping_add(1);
        let mut frame = [0; FRAME_MAX];
        let len = encode_frame(kind, sequence, &payload, &mut frame).ok_or("a question too long")?;
        let frame = frame[..len].to_vec();
        let doing = script.get(n).map_or(0, |b| b % 16);
        let heard = match doing {
            // The question is lost.
            4 => None,
            // Its answer is.
            5 => {
                chip.hear(&frame);
                None
            }
            6 => chip.hear(&corrupted(&frame, &mut random)).map(|a| a.to_vec()),
            7 => chip.hear(&frame).map(|a| corrupted(&a, &mut random)),
            // Twice.
            8 => {
                chip.hear(&frame);
                chip.hear(&frame).map(|a| a.to_vec())
            }
            // An old question once more, before and behind.
            9 | 10 => {
                let recent = &sent[sent.len().saturating_sub(RECENT)..];
                let old = random.pick(recent).cloned().unwrap_or_default();
                let before = if doing == 9 { chip.hear(&old) } else { None };
                let answer = chip.hear(&frame);
                if doing == 10 {
                    chip.hear(&old);
                }
                before.filter(|_| random.once_in(2)).or(answer).map(|a| a.to_vec())
            }
            // The question overtakes the one before: its answer is the other's.
            11 => {
                let last = sent.last().cloned().unwrap_or_default();
                chip.hear(&frame);
                chip.hear(&last).map(|a| a.to_vec())
            }
            // The chip was reset: an application that is whole starts, else its loader waits.
            12 => {
                chip.loader = chip.store.mark.is_none().then(Loader::new);
                chip.hear(&frame).map(|a| a.to_vec())
            }
            // Its flash fails.
            13 => {
                chip.store.fails = true;
                let answer = chip.hear(&frame).map(|a| a.to_vec());
                chip.store.fails = false;
                answer
            }
            _ => chip.hear(&frame).map(|a| a.to_vec()),
        };
        chip.check()?;
        must(chip.store.erases <= MOST_ERASES + script.len(), "it is erased again and again")?;
        sent.push(frame);
        // As the node does: a whole answer with the number of its question.
        if let Some((kind, number, payload)) = heard.as_deref().and_then(|h| decode_frame(h).ok())
            && number == sequence
            && let Some(answer) = Answer::decode(kind, payload)
        {
            transfer.answered(&answer);
        }
    }
    Err("a transfer does not end".to_owned())
}
