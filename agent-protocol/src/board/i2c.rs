//! The wire to the io chip over any `embedded_hal` I2C bus, the net chip being its controller.

use crate::link::{FRAME_MAX, decode_frame};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{I2c, SevenBitAddress};

/// How often an answer is looked for.
const READS: u8 = 5;
/// Before each look, in microseconds.
const PAUSE_US: u32 = 500;

/// An I2C bus with the io chip at a 7-bit address: what [`super::Board::exchange`] needs.
///
/// A question is one write. From the moment it comes the io chip holds its address back (no
/// acknowledgement) or sends `ff`, until its answer is ready; the answer is one read of 32 bytes, those
/// behind the frame being anything. An answer to an earlier question is passed over.
///
/// One exchange takes at most five times 500 us and the time of five reads: 17 ms at 100 kHz.
#[derive(Debug)]
pub struct I2cWire<I, D> {
    bus: I,
    delay: D,
    address: SevenBitAddress,
}

impl<I: I2c, D: DelayNs> I2cWire<I, D> {
    /// The io chip at this address of `bus`.
    pub const fn new(bus: I, delay: D, address: SevenBitAddress) -> Self {
        Self { bus, delay, address }
    }

    /// The bus, for whoever else is on it.
    pub const fn bus(&mut self) -> &mut I {
        &mut self.bus
    }

    /// Sends a frame and reads its answer. Whether one came that is whole and carries the same number.
    pub fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX]) -> bool {
        if self.bus.write(self.address, frame).is_err() {
            return false;
        }
        (0..READS).any(|_| {
            self.delay.delay_us(PAUSE_US);
            // An error is an io chip that is still at work, or none.
            self.bus.read(self.address, answer).is_ok() && answers(frame, answer)
        })
    }
}

fn answers(frame: &[u8], answer: &[u8; FRAME_MAX]) -> bool {
    let number = frame.get(1).copied();
    decode_frame(answer).is_ok_and(|(kind, sequence, _)| kind > 0x80 && Some(sequence) == number)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::{Answer, Ask, encode_frame};
    use embedded_hal::i2c::{ErrorKind, ErrorType, NoAcknowledgeSource, Operation};
    use proptest::prelude::*;
    use std::collections::VecDeque;

    const ADDRESS: u8 = 0x2c;

    /// What the bus gives to one read.
    #[derive(Clone, Copy, Debug)]
    enum Read {
        Refused,
        Zeros,
        Ones,
        /// The answer to the question before.
        Late,
        /// The answer with one bit changed.
        Bent(u8),
        Whole,
    }

    /// A bus with an io chip that answers every question `Done` with the number of questions so far.
    struct Bus {
        reads: VecDeque<Read>,
        deaf: bool,
        asked: u32,
        before: [u8; FRAME_MAX],
        now: [u8; FRAME_MAX],
    }

    impl Bus {
        fn new(reads: impl IntoIterator<Item = Read>) -> Self {
            let none = [0xff; FRAME_MAX];
            let reads = reads.into_iter().collect();
            Self { reads, deaf: false, asked: 0, before: none, now: none }
        }

        fn question(&mut self, frame: &[u8]) {
            let (kind, number, payload) = decode_frame(frame).unwrap();
            assert!(frame.len() <= 32 && Ask::decode(kind, payload).is_some());
            self.asked += 1;
            self.before = core::mem::replace(&mut self.now, [0xff; FRAME_MAX]);
            let (kind, payload) = Answer::Done { next: self.asked }.encode();
            encode_frame(kind, number, &payload, &mut self.now).unwrap();
        }
    }

    impl ErrorType for Bus {
        type Error = ErrorKind;
    }

    impl I2c for Bus {
        fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
            assert_eq!(address, ADDRESS);
            if self.deaf {
                return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
            }
            for operation in operations {
                match operation {
                    Operation::Write(frame) => self.question(frame),
                    Operation::Read(into) => {
                        assert_eq!(into.len(), FRAME_MAX);
                        match self.reads.pop_front().unwrap_or(Read::Whole) {
                            Read::Refused => {
                                return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
                            }
                            Read::Zeros => into.fill(0),
                            Read::Ones => into.fill(0xff),
                            Read::Late => into.copy_from_slice(&self.before),
                            Read::Bent(bit) => {
                                into.copy_from_slice(&self.now);
                                // Of the nine bytes of the frame.
                                let bit = usize::from(bit) % 72;
                                into[bit / 8] ^= 1 << (bit % 8);
                            }
                            Read::Whole => into.copy_from_slice(&self.now),
                        }
                    }
                }
            }
            Ok(())
        }
    }

    struct Waits;

    impl DelayNs for Waits {
        fn delay_ns(&mut self, _: u32) {}
    }

    fn ask(wire: &mut I2cWire<Bus, Waits>, number: u8) -> Option<Answer> {
        let (kind, payload) = Ask::Status.encode();
        let mut frame = [0; FRAME_MAX];
        let len = encode_frame(kind, number, &payload, &mut frame).unwrap();
        let mut answer = [0; FRAME_MAX];
        if !wire.exchange(&frame[..len], &mut answer) {
            return None;
        }
        let (kind, sequence, payload) = decode_frame(&answer).unwrap();
        assert_eq!(sequence, number);
        Answer::decode(kind, payload)
    }

    fn wire(reads: impl IntoIterator<Item = Read>) -> I2cWire<Bus, Waits> {
        I2cWire::new(Bus::new(reads), Waits, ADDRESS)
    }

    #[test]
    fn an_io_chip_that_is_at_work_is_waited_for() {
        for not_yet in [Read::Refused, Read::Ones, Read::Zeros, Read::Late] {
            let mut wire = wire([not_yet; 4]);
            assert_eq!(ask(&mut wire, 9), Some(Answer::Done { next: 1 }), "{not_yet:?}");
        }
    }

    #[test]
    fn a_dead_bus_is_no_answer_and_ends() {
        for dead in [Read::Refused, Read::Ones, Read::Zeros] {
            let mut wire = wire([dead; 5]);
            assert_eq!(ask(&mut wire, 9), None, "{dead:?}");
            assert!(wire.bus().reads.is_empty());
        }
        let mut wire = wire([]);
        wire.bus().deaf = true;
        assert_eq!((ask(&mut wire, 9), wire.bus().asked), (None, 0));
    }

    #[test]
    fn a_question_that_comes_back_as_an_echo_is_no_answer() {
        let (kind, payload) = Ask::Status.encode();
        let mut echo = [0; FRAME_MAX];
        let len = encode_frame(kind, 9, &payload, &mut echo).unwrap();
        assert!(!answers(&echo[..len], &echo));
    }

    fn any_read() -> impl Strategy<Value = Read> {
        prop_oneof![
            Just(Read::Refused),
            Just(Read::Zeros),
            Just(Read::Ones),
            Just(Read::Late),
            any::<u8>().prop_map(Read::Bent),
            Just(Read::Whole),
        ]
    }

    proptest! {
        /// Whatever the bus does, an answer that is taken is the one to this question.
        #[test]
        fn no_answer_but_the_right_one_is_taken(
            reads in proptest::collection::vec(any_read(), 0..60), questions in 1u8..12,
        ) {
            let mut wire = wire(reads);
            for number in 1..=questions {
                if let Some(answer) = ask(&mut wire, number) {
                    prop_assert_eq!(answer, Answer::Done { next: u32::from(number) });
                }
            }
        }
    }
}
