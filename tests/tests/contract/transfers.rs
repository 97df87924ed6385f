//! Whole transfers of an image to the io chip, frame by frame: `docs/vectors/link.json`.

use super::samples as s;
use pintle_protocol::board::FlashFault;
use pintle_protocol::id::{Chip, Digest};
use pintle_protocol::link::{
    Answer, Ask, FRAME_MAX, Loader, LoaderStore, Transfer, TransferEnd, decode_frame, encode_frame,
};
use serde_json::{Value, json};

/// The io chip's flash.
#[derive(Default)]
struct Store {
    bytes: Vec<u8>,
    erased: u32,
    whole: Option<(u32, Digest)>,
}

impl LoaderStore for Store {
    fn room(&self) -> u32 {
        65_536
    }

    fn erase(&mut self, _: u32) -> Result<(), FlashFault> {
        self.bytes.clear();
        self.erased += 1;
        Ok(())
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        assert_eq!(offset as usize, self.bytes.len());
        self.bytes.extend_from_slice(bytes);
        Ok(())
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        Ok(Digest::of(&self.bytes[..size as usize]))
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        self.whole = whole;
        Ok(())
    }
}

fn framed((kind, payload): (u8, impl AsRef<[u8]>), sequence: u8) -> Vec<u8> {
    let mut frame = [0; FRAME_MAX];
    let len = encode_frame(kind, sequence, payload.as_ref(), &mut frame).unwrap();
    frame[..len].to_vec()
}

/// Both chips, and the frames between them.
#[derive(Default)]
struct Wire {
    loader: Loader,
    store: Store,
    sequence: u8,
    frames: Vec<[Vec<u8>; 2]>,
}

impl Wire {
    /// Brings the image over, until it has ended or so many questions were answered.
    fn bring(&mut self, image: &[u8], most: usize) -> Option<TransferEnd> {
        let mut transfer = Transfer::new(image.len() as u32, Digest::of(image));
        for _ in 0..most {
            let piece = transfer.wants().map_or(0..0, |(at, len)| at as usize..at as usize + len);
            let Some(ask) = transfer.ask(&image[piece]) else { break };
            self.sequence += 1;
            let question = framed(ask.encode(), self.sequence);
            // What the other chip makes of it.
            let (kind, sequence, payload) = decode_frame(&question).unwrap();
            let heard = Ask::decode(kind, payload).unwrap();
            let said = self.loader.handle(&heard, &mut self.store).unwrap().unwrap();
            let answer = framed(said.encode(), sequence);
            let (kind, _, payload) = decode_frame(&answer).unwrap();
            transfer.answered(&Answer::decode(kind, payload).unwrap());
            self.frames.push([question, answer]);
        }
        transfer.ended()
    }
}

/// A transfer without a fault, and one that goes on where another was broken off.
fn wires() -> [(&'static str, Wire); 2] {
    let image = s::image(Chip::Io);
    let mut whole = Wire::default();
    assert_eq!(whole.bring(&image, usize::MAX), Some(TransferEnd::Taken));
    let mut resumed = Wire::default();
    // Four questions, then three pieces of 20 bytes.
    assert_eq!(resumed.bring(&image, 7), None);
    assert_eq!(resumed.bring(&image, usize::MAX), Some(TransferEnd::Taken));
    [("a whole transfer", whole), ("one that is broken off after 60 bytes, and goes on there", resumed)]
}

/// The transfers, as vectors.
pub(crate) fn vectors() -> Vec<Value> {
    let frames = |wire: &Wire| {
        let row = |[q, a]: &[Vec<u8>; 2]| json!({"question": hex::encode(q), "answer": hex::encode(a)});
        wire.frames.iter().map(row).collect::<Vec<_>>()
    };
    wires().iter().map(|(name, wire)| json!({"name": name, "frames": frames(wire)})).collect()
}

#[test]
fn transfers_end_with_the_image_whole_and_one_that_was_broken_off_erases_once() {
    let image = s::image(Chip::Io);
    let counts = wires().map(|(name, wire)| {
        assert_eq!(wire.store.whole, Some((image.len() as u32, Digest::of(&image))), "{name}");
        assert_eq!((&wire.store.bytes, wire.store.erased), (&image, 1), "{name}");
        wire.frames.len()
    });
    // Enter, begin, two halves of the digest, ten pieces, finish, start; the second begins twice.
    assert_eq!(counts, [16, 20]);
}
