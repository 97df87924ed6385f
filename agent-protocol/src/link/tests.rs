use super::*;
use crate::board::FlashFault;
use crate::checkin::Position;
use crate::id::Digest;
use crate::version::{ActuationProfile, LinkRange, Version};
use proptest::prelude::*;
use std::vec::Vec;

/// Source of the check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740
/// (123456789 gives 29b1; four zero bytes give 84c0).
#[test]
fn the_checksum_is_the_catalogued_one_and_sees_a_dead_bus() {
    let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    assert_eq!(crc.checksum(b"123456789"), 0x29b1);
    assert_eq!(crc.checksum(&[0; 4]), 0x84c0);
    assert_eq!(crc16(CRC_START, b"123456789"), 0x29b1);
    let bytes: Vec<u8> = (0..=255).map(|n: u8| n.wrapping_mul(167)).collect();
    for (from, to) in (0..256).flat_map(|from| (from..256).map(move |to| (from, to))) {
        let sum = crc16(crc16(CRC_START, &bytes[..from]), &bytes[from..to]);
        assert_eq!(sum, crc.checksum(&bytes[..to]));
    }
    assert_eq!(decode_frame(&[0; FRAME_MAX]), Err(FrameFault::Checksum));
    assert_eq!(decode_frame(&[0xff; FRAME_MAX]), Err(FrameFault::Length(255)));
    assert_eq!(decode_frame(&[1, 2]), Err(FrameFault::Short));
}

fn status() -> Status {
    Status {
        position: Position::PartlyOpen,
        moving: true,
        relay_pulse: false,
        close_pending: true,
        warning: false,
        button: true,
        gas_alarm: false,
        plausible: true,
        inhibited: false,
        rest_seconds: 65535,
        supply_mv: 5012,
        relay_pulses: 29_220,
        settings: 0x29b1,
    }
}

#[test]
fn every_message_reads_back_and_fits() {
    let hello = Hello {
        mode: Mode::Application,
        version: Version::new(1, 300, 65535),
        link: LinkRange { oldest: 1, newest: 3 },
        profile: ActuationProfile { id: 513, version: 9 },
        digest: [1, 2, 3, 4, 5, 6, 7, 8],
    };
    let asks = [
        Ask::Hello { link: hello.link, profile: hello.profile },
        Ask::Status,
        Ask::Inhibit(true),
        Ask::EnterLoader,
        Ask::Begin { size: u32::MAX },
        Ask::Digest { half: 1, bytes: [9; 16] },
        Ask::Data { offset: 70_000, bytes: heapless::Vec::from_slice(&[5; DATA_MAX]).unwrap() },
        Ask::Finish,
        Ask::Start,
        Ask::Setting { key: 25, value: u32::MAX },
    ];
    for ask in asks {
        let (kind, payload) = ask.encode();
        let mut frame = [0; FRAME_MAX];
        let len = encode_frame(kind, 7, &payload, &mut frame).unwrap();
        let (kind, sequence, payload) = decode_frame(&frame[..len]).unwrap();
        assert_eq!((Ask::decode(kind, payload), sequence), (Some(ask), 7));
    }
    for answer in [Answer::Hello(hello), Answer::Status(status()), Answer::Done { next: 9 }, Answer::No] {
        let (kind, payload) = answer.encode();
        assert_eq!(Answer::decode(kind, &payload), Some(answer));
    }
}

proptest! {
    #[test]
    fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
        if let Ok((kind, _, payload)) = decode_frame(&bytes) {
            let _ = (Ask::decode(kind, payload), Answer::decode(kind, payload));
        }
        let _ = Answer::decode(130, &bytes);
        let _ = Answer::decode(129, &bytes);
        let _ = Ask::decode(7, &bytes);
    }

    #[test]
    fn one_or_two_flipped_bits_are_noticed(a in 0usize..32 * 8, b in 0usize..32 * 8) {
        let mut frame = [0; FRAME_MAX];
        let data = Ask::Data { offset: 1, bytes: heapless::Vec::from_slice(&[0x5a; DATA_MAX]).unwrap() };
        let (kind, payload) = data.encode();
        let len = encode_frame(kind, 1, &payload, &mut frame).unwrap();
        let (a, b) = (a % (len * 8), b % (len * 8));
        frame[a / 8] ^= 1 << (a % 8);
        if a != b {
            frame[b / 8] ^= 1 << (b % 8);
        }
        prop_assert!(decode_frame(&frame[..len]).is_err());
    }
}

#[derive(Default)]
struct Memory {
    bytes: Vec<u8>,
    whole: Option<(u32, Digest)>,
    programmed: u32,
}

impl LoaderStore for Memory {
    fn room(&self) -> u32 {
        4096
    }
    fn erase(&mut self, size: u32) -> Result<(), FlashFault> {
        self.bytes = vec![0xff; size as usize];
        Ok(())
    }
    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let at = offset as usize;
        assert!(self.bytes[at..at + bytes.len()].iter().all(|b| *b == 0xff), "programmed twice");
        self.bytes[at..at + bytes.len()].copy_from_slice(bytes);
        self.programmed += bytes.len() as u32;
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

/// Runs a transfer; `fate` says of each exchange whether the question and the answer arrive, and
/// whether the question comes twice.
fn run(image: &[u8], digest: Digest, mut fate: impl FnMut() -> (bool, bool, bool)) -> (TransferEnd, Memory) {
    let mut store = Memory::default();
    let mut loader = Loader::new();
    let mut transfer = Transfer::new(image.len() as u32, digest);
    loop {
        let piece = match transfer.wants() {
            Some((at, len)) => &image[at as usize..at as usize + len],
            None => &[],
        };
        let Some(ask) = transfer.ask(piece) else { break };
        let (question, answer, twice) = fate();
        if !question {
            continue;
        }
        let mut got = loader.handle(&ask, &mut store).unwrap().unwrap();
        if twice {
            got = loader.handle(&ask, &mut store).unwrap().unwrap();
        }
        if answer {
            transfer.answered(&got);
        }
    }
    (transfer.ended().unwrap(), store)
}

proptest! {
    #[test]
    fn loss_and_repeats_never_spoil_an_image(
        image in proptest::collection::vec(any::<u8>(), 1..600),
        seed in any::<u64>(),
    ) {
        let mut state = seed | 1;
        let fate = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (!state.is_multiple_of(4), !(state >> 8).is_multiple_of(4), (state >> 16).is_multiple_of(5))
        };
        let (end, store) = run(&image, Digest::of(&image), fate);
        prop_assert_eq!(end, TransferEnd::Taken);
        prop_assert_eq!(store.programmed as usize, image.len());
        prop_assert_eq!(&store.bytes, &image);
        prop_assert_eq!(store.whole, Some((image.len() as u32, Digest::of(&image))));
    }
}

#[test]
fn a_wrong_digest_is_never_marked_whole() {
    let (end, store) = run(&[1; 100], Digest([0; 32]), || (true, true, false));
    assert_eq!((end, store.whole), (TransferEnd::WrongDigest, None));
    assert_eq!(store.programmed, 200);
}

#[test]
fn a_loader_that_is_reset_at_any_question_gets_the_image_all_the_same() {
    let image: Vec<u8> = (0..100u8).collect();
    let (mut asked, mut at) = (usize::MAX, 0);
    while at < asked {
        let (mut loader, mut store) = (Loader::new(), Memory::default());
        let mut transfer = Transfer::new(100, Digest::of(&image));
        asked = 0;
        loop {
            let piece = transfer.wants().map_or(0..0, |(from, len)| from as usize..from as usize + len);
            let Some(ask) = transfer.ask(&image[piece]) else { break };
            if asked == at {
                loader = Loader::new();
            }
            asked += 1;
            transfer.answered(&loader.handle(&ask, &mut store).unwrap().unwrap());
        }
        assert_eq!(transfer.ended(), Some(TransferEnd::Taken), "reset before question {at}");
        assert_eq!(store.whole, Some((100, Digest::of(&image))));
        at += 1;
    }
    // Eleven questions, and the last time none of them was disturbed.
    assert_eq!(at, 12);
}

/// A transfer to a chip that answers as `answer` says. Its end, and how often it was asked to begin.
fn against(size: u32, mut answer: impl FnMut(&Ask) -> Option<Answer>) -> (TransferEnd, u32) {
    let mut transfer = Transfer::new(size, Digest([0; 32]));
    let (mut asked, mut begun, mut before) = (0, 0, None);
    loop {
        let piece = vec![0; transfer.wants().map_or(0, |(_, len)| len)];
        let Some(ask) = transfer.ask(&piece) else { break };
        begun += u32::from(matches!(ask, Ask::Begin { .. }) && before != Some(Ask::Begin { size }));
        before = Some(ask.clone());
        asked += 1;
        assert!(asked <= (u32::from(RESTARTS) + 1) * u32::from(RETRIES) * (size + 8), "no end");
        if let Some(said) = answer(&ask) {
            transfer.answered(&said);
        }
    }
    (transfer.ended().unwrap(), begun)
}

#[test]
fn a_chip_that_always_fails_at_one_question_is_begun_with_a_few_times_only() {
    let most = u32::from(RESTARTS) + 1;
    let done = |ask: &Ask| match ask {
        Ask::Data { offset, bytes } => Answer::Done { next: offset + bytes.len() as u32 },
        Ask::Finish => Answer::Done { next: 100 },
        _ => Answer::Done { next: 0 },
    };
    let at =
        |fails: fn(&Ask) -> bool| against(100, |ask| Some(if fails(ask) { Answer::No } else { done(ask) }));
    let broken = |taken| (TransferEnd::BrokenOff { taken }, most);
    assert_eq!(at(|ask| matches!(ask, Ask::Begin { .. })), broken(0));
    assert_eq!(at(|ask| matches!(ask, Ask::Digest { half: 0, .. })), broken(0));
    assert_eq!(at(|ask| matches!(ask, Ask::Digest { half: 1, .. })), broken(0));
    assert_eq!(at(|ask| matches!(ask, Ask::Data { offset: 60, .. })), broken(60));
    assert_eq!(at(|ask| *ask == Ask::Finish), (TransferEnd::WrongDigest, 2));
    // Resets have used up the beginnings before it says no to finish for the first time.
    let mut resets = 0;
    let unlucky = |ask: &Ask| {
        resets += u32::from(matches!(ask, Ask::Data { offset: 60, .. }));
        let no = *ask == Ask::Finish || matches!(ask, Ask::Data { offset: 60, .. }) && resets <= 2;
        Some(if no { Answer::No } else { done(ask) })
    };
    assert_eq!(against(100, unlucky), broken(100));
    assert_eq!(at(|ask| *ask == Ask::Start), broken(100));
    // It answers, and never enters its loader: nothing has been erased.
    assert_eq!(at(|ask| *ask == Ask::EnterLoader), (TransferEnd::NoAnswer, 0));
    // It says each time that it stands where it stood before, or behind that.
    let stands = |next| {
        move |ask: &Ask| {
            Some(match ask {
                Ask::Data { offset: 60, .. } => Answer::Done { next },
                _ => done(ask),
            })
        }
    };
    assert_eq!(against(100, stands(60)), (TransferEnd::BrokenOff { taken: 60 }, 1));
    assert_eq!(against(100, stands(40)), broken(60));
    // It falls silent.
    let silent = |ask: &Ask| (*ask != Ask::Finish).then(|| done(ask));
    assert_eq!(against(100, silent), (TransferEnd::BrokenOff { taken: 100 }, 1));
}

#[test]
fn a_dead_link_ends_after_bounded_tries() {
    let mut tries = 0u32;
    let (end, _) = run(&[1; 100], Digest::of(&[1; 100]), || {
        tries += 1;
        (false, false, false)
    });
    assert_eq!(end, TransferEnd::NoAnswer);
    assert_eq!(tries, u32::from(RETRIES));
}

#[test]
fn an_image_larger_than_the_room_is_refused_and_ends() {
    let image = vec![1; 5000];
    let (end, store) = run(&image, Digest::of(&image), || (true, true, false));
    assert_eq!(end, TransferEnd::BrokenOff { taken: 0 });
    assert_eq!(store.whole, None);
}

proptest! {
    #[test]
    fn whatever_the_chip_answers_there_is_an_end_and_few_beginnings(
        size in 1u32..200,
        said in proptest::collection::vec((0u8..8, 0u32..250), 1..40),
    ) {
        let mut said = said.into_iter().cycle();
        let (_, begun) = against(size, |ask| match (said.next()?, ask) {
            ((0, _), _) => Some(Answer::No),
            ((1, _), _) => None,
            ((2, next), _) => Some(Answer::Done { next }),
            ((3, _), _) => Some(Answer::Status(status())),
            (_, Ask::Data { offset, bytes }) => Some(Answer::Done { next: offset + bytes.len() as u32 }),
            _ => Some(Answer::Done { next: 0 }),
        });
        prop_assert!(begun <= u32::from(RESTARTS) + 1);
    }
}

#[test]
fn chips_agree_only_on_a_shared_version_and_the_same_meaning() {
    let speaks = |a, b, id, v| (LinkRange::new(a, b).unwrap(), ActuationProfile { id, version: v });
    assert_eq!(
        agree(speaks(1, 2, 1, 1), speaks(2, 4, 1, 3)),
        Some(Agreement { link: 2, profile: ActuationProfile { id: 1, version: 1 } })
    );
    assert_eq!(agree(speaks(1, 2, 1, 1), speaks(3, 4, 1, 1)), None);
    assert_eq!(agree(speaks(1, 2, 1, 1), speaks(1, 2, 2, 1)), None);
    let facts = pair_facts((speaks(1, 1, 1, 1), None), (Some(speaks(1, 1, 1, 1)), Some(speaks(2, 2, 1, 1))));
    assert_eq!((facts.link_now, facts.profile_now), (None, None));
    assert_eq!((facts.link_after, facts.profile_after), (Some(false), Some(true)));
}

/// The questions of a transfer up to `pieces` pieces of data, to a loader; the end of it if it ended.
fn begin(loader: &mut Loader, store: &mut Memory, image: &[u8], pieces: usize) -> Option<TransferEnd> {
    let mut transfer = Transfer::new(image.len() as u32, Digest::of(image));
    let mut sent = 0;
    loop {
        let piece = match transfer.wants() {
            Some((at, len)) if sent < pieces => {
                sent += 1;
                &image[at as usize..at as usize + len]
            }
            Some(_) => return None,
            None => &[],
        };
        let Some(ask) = transfer.ask(piece) else { return transfer.ended() };
        transfer.answered(&loader.handle(&ask, store).unwrap().unwrap());
    }
}

#[test]
fn a_transfer_broken_off_anywhere_goes_on_where_it_was() {
    let image: Vec<u8> = (0..333u32).map(|n| n as u8).collect();
    let all = image.len().div_ceil(DATA_MAX);
    for broken_after in 0..=all {
        let (mut loader, mut store) = (Loader::new(), Memory::default());
        let ended = begin(&mut loader, &mut store, &image, broken_after);
        assert_eq!(ended.is_some(), broken_after == all);
        // The net chip has started again, and knows nothing of it.
        assert_eq!(begin(&mut loader, &mut store, &image, usize::MAX), Some(TransferEnd::Taken));
        let twice = if broken_after == all { 2 } else { 1 };
        assert_eq!(store.programmed as usize, twice * image.len(), "after {broken_after} pieces");
        assert_eq!(store.whole, Some((333, Digest::of(&image))));
    }
}

#[test]
fn another_image_of_the_same_size_is_not_mixed_with_what_is_there() {
    let (first, second) = (vec![0xaa; 333], vec![0x55; 333]);
    for broken_after in 0..17 {
        let (mut loader, mut store) = (Loader::new(), Memory::default());
        begin(&mut loader, &mut store, &first, broken_after);
        assert_eq!(begin(&mut loader, &mut store, &second, usize::MAX), Some(TransferEnd::Taken));
        assert_eq!((&store.bytes, store.whole), (&second, Some((333, Digest::of(&second)))));
    }
}
