//! What the io chip needs of the node core: frames, the messages in them, and the loader that takes an image.
//!
//! See `lib.rs` for what it is for.
#![no_std]
#![no_main]

use pintle_protocol::board::FlashFault;
use pintle_protocol::id::Digest;
use pintle_protocol::link::{Answer, Ask, FRAME_MAX, Loader, LoaderStore, decode_frame, encode_frame};
use size_probe::{get, get_all, set, set_all};

struct Chip;

fn done() -> Result<(), FlashFault> {
    if get() == 0 { Ok(()) } else { Err(FlashFault::Chip) }
}

impl LoaderStore for Chip {
    fn room(&self) -> u32 {
        get()
    }

    fn erase(&mut self, size: u32) -> Result<(), FlashFault> {
        set(size);
        done()
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        set(offset);
        set_all(bytes);
        done()
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        set(size);
        let mut digest = [0; 32];
        get_all(&mut digest);
        Ok(Digest(digest))
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        if let Some((size, digest)) = whole {
            set(size);
            set_all(&digest.0);
        }
        done()
    }
}

/// Answers one frame; `None` if there is nothing to say.
fn answer(loader: &mut Loader) -> Option<()> {
    let mut frame = [0; FRAME_MAX];
    get_all(&mut frame);
    let (kind, sequence, payload) = decode_frame(&frame).ok()?;
    let said = loader.handle(&Ask::decode(kind, payload)?, &mut Chip).unwrap_or(Some(Answer::No))?;
    let (kind, payload) = said.encode();
    let len = encode_frame(kind, sequence, &payload, &mut frame)?;
    set_all(frame.get(..len)?);
    Some(())
}

#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
extern "C" fn start() -> ! {
    let mut loader = Loader::new();
    loop {
        set(u32::from(answer(&mut loader).is_some()));
    }
}
