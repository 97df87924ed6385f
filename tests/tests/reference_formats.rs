//! Image file formats and checksums against published values.
//!
//! Sources: Intel Hexadecimal Object File Format Specification, Revision A, 1988; System V Application Binary
//! Interface (object files); the catalogue of parametrised CRC algorithms.

use pintle::firmware::hex::{self, HexFault};
use pintle::firmware::samples::SAMPLES;
use pintle::firmware::{Expect, Fault, Format, Machine};
use pintle_protocol::bundle::sum_of;
use pintle_protocol::checkin::Position;
use pintle_protocol::id::Chip;
use pintle_protocol::link::{Answer, Ask, FRAME_MAX, FrameFault, Mode, decode_frame, encode_frame};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

const END: &str = ":00000001FF";

/// What a file says, as an address and its bytes.
fn read(lines: &[&str]) -> Result<(u64, Vec<u8>), Fault> {
    hex::read(lines.join("\n").as_bytes())
}

fn fault(lines: &[&str]) -> HexFault {
    match read(lines) {
        Err(Fault::Hex(fault)) => fault,
        other => panic!("expected a fault of Intel HEX, got {other:?}"),
    }
}

/// Records as printed, with what each means.
#[test]
fn intel_hex_records_as_printed() {
    let bytes =
        [0x21, 0x46, 0x01, 0x36, 0x01, 0x21, 0x47, 0x01, 0x36, 0x00, 0x7e, 0xfe, 0x09, 0xd2, 0x19, 0x01];
    let (one, base) = (":0100000001FE", |record| read(&[record, ":0100000001FE", END]));
    assert_eq!(read(&[":0300300002337A1E", END]), Ok((0x30, vec![0x02, 0x33, 0x7a])));
    assert_eq!(read(&[":10010000214601360121470136007EFE09D2190140", END]), Ok((0x100, bytes.to_vec())));
    assert_eq!(read(&[":10000000000102030405060708090A0B0C0D0E0F78", END]), Ok((0, (0..16).collect())));
    assert_eq!(base(":020000021200EA"), Ok((0x1_2000, vec![1])));
    assert_eq!(base(":020000040800F2"), Ok((0x0800_0000, vec![1])));
    assert_eq!(base(":020000040001F9"), Ok((0x1_0000, vec![1])));
    // Start addresses: CS:IP 0000:3800 and linear 08000130. They move no data.
    assert_eq!(read(&[":0400000300003800C1", one, END]), Ok((0, vec![1])));
    assert_eq!(read(&[":0400000508000130BE", one, END]), Ok((0, vec![1])));
    // One byte at the last offset of a bank.
    assert_eq!(read(&[":01FFFF00AA57", END]), Ok((0xffff, vec![0xaa])));
}

/// Two records that are printed with wrong checksums on a public page; by the specification FF and 71 are right.
#[test]
fn intel_hex_records_printed_with_wrong_checksums() {
    let wrong = |line, byte, found, expected| HexFault::Checksum { line, byte, found, expected };
    assert_eq!(fault(&[":00000001FE"]), wrong(1, 5, 0xfe, 0xff));
    assert_eq!(fault(&[":0D011C0000000000C3E0FF0000000000C30F", END]), wrong(1, 18, 0x0f, 0x71));
    assert!(read(&[":0D011C0000000000C3E0FF0000000000C371", END]).is_ok());
}

/// Seen in print: a segment record whose offset is not 0, against the specification.
#[test]
fn intel_hex_record_printed_with_an_offset() {
    assert_eq!(fault(&[":02010002E0001B", END]), HexFault::Offset { line: 1, kind: 2, found: 0x0100 });
}

/// What the specification rules out.
#[test]
fn intel_hex_files_that_are_refused() {
    let one = ":0100000001FE";
    assert_eq!(fault(&[one]), HexFault::NoEnd { lines: 1 });
    assert_eq!(fault(&[one, END, ":0100010002FC"]), HexFault::AfterEnd { line: 3, end: 2 });
    assert_eq!(fault(&[":0100000001F", END]), HexFault::OddDigits { line: 1, digits: 11 });
    assert_eq!(fault(&[one, one, END]), HexFault::Overlap { first: 1, second: 2, at: 0 });
    assert_eq!(fault(&[":010000000102FC", END]), HexFault::Length { line: 1, says: 1, has: 2 });
    assert_eq!(fault(&[":02FFFF00AABB9B", END]), HexFault::Wrap { line: 1, offset: 0xffff, bytes: 2 });
}

/// The io images were written by GNU objcopy (`firmware/images/RECIPE.md` names its version), so they are a second opinion on the
/// format: every record adds up to 0, and reading, writing with our own writer and reading again loses nothing.
#[test]
fn intel_hex_files_of_another_writer() {
    for sample in SAMPLES.iter().filter(|s| s.chip == Chip::Io) {
        let text = std::str::from_utf8(sample.bytes).unwrap();
        for line in text.lines() {
            let bytes = ::hex::decode(&line[1..]).unwrap();
            assert_eq!(bytes.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)), 0, "{}: {line}", sample.name);
        }
        let (at, bytes) = hex::read(sample.bytes).unwrap();
        let ours = hex::write(u32::try_from(at).unwrap(), &bytes).unwrap();
        assert_eq!(hex::read(ours.as_bytes()), Ok((at, bytes)), "{}", sample.name);
    }
}

/// Source: System V ABI, chapter 4: class at byte 4, byte order at 5, version at 6, `e_type` at 16, `e_machine`
/// at 18, and the registered machine numbers. The net images were written by another program, the linker.
#[test]
fn elf_header_fields_of_another_writer() {
    for sample in SAMPLES.iter().filter(|s| s.chip == Chip::Net) {
        assert_eq!(sample.bytes[..7], *b"\x7fELF\x01\x01\x01", "{}", sample.name);
        assert_eq!(sample.bytes[16..20], [2, 0, 243, 0], "{}", sample.name);
        let expect = Expect { machine: Some(Machine::RiscV), chip: Chip::Net };
        let image = pintle::firmware::read(sample.bytes, sample.file, expect).unwrap();
        assert_eq!(image.format, Format::Elf);
        for other in Machine::ALL.into_iter().filter(|m| *m != Machine::RiscV) {
            let expect = Expect { machine: Some(other), chip: Chip::Net };
            let refused = pintle::firmware::read(sample.bytes, sample.file, expect).unwrap_err().to_string();
            assert!(refused.contains("riscv") && refused.contains(other.word()), "{refused}");
        }
    }
}

/// Source: catalogue of parametrised CRC algorithms. CRC-32/ISO-HDLC guards the image note; its check value
/// for `123456789` is cbf43926 and four zero bytes give 2144df1c, which is no image note.
#[test]
fn crc_of_the_image_note() {
    let crc = |bytes: &[u8]| {
        !bytes.iter().fold(u32::MAX, |crc, byte| {
            (0..8).fold(crc ^ u32::from(*byte), |c, _| (c >> 1) ^ if c & 1 == 1 { 0xedb8_8320 } else { 0 })
        })
    };
    assert_eq!((crc(b"123456789"), crc(&[0; 4])), (0xcbf4_3926, 0x2144_df1c));
    for sample in SAMPLES {
        let bytes = match sample.chip {
            Chip::Net => sample.bytes.to_vec(),
            Chip::Io => hex::read(sample.bytes).unwrap().1,
        };
        let at = bytes.windows(8).position(|w| w == b"PINTLE\x00\x01").unwrap();
        let sum = u32::from_le_bytes(bytes[at + 60..at + 64].try_into().unwrap());
        assert_eq!(crc(&bytes[at..at + 60]), sum, "{}", sample.name);
    }
}

/// Source: the same catalogue. CRC-16/IBM-3740 guards link frames; four zero bytes give 84c0 (0000 for
/// the kinds that start at zero), so that a dead bus is never taken for a frame.
#[test]
fn crc_of_link_frames() {
    let crc = |bytes: &[u8]| {
        bytes.iter().fold(0xffff_u16, |crc, byte| {
            (0..8).fold(crc ^ u16::from(*byte) << 8, |c, _| (c << 1) ^ if c >> 15 == 1 { 0x1021 } else { 0 })
        })
    };
    assert_eq!((crc(b"123456789"), crc(&[0; 4])), (0x29b1, 0x84c0));
    let mut frame = [0; FRAME_MAX];
    let len = encode_frame(2, 7, b"door", &mut frame).unwrap();
    assert_eq!(len, 9);
    assert_eq!(frame[7..9], crc(&frame[..7]).to_be_bytes());
    assert_eq!(decode_frame(&frame[..len]), Ok((2, 7, &b"door"[..])));
    assert_eq!(decode_frame(&[0; FRAME_MAX]), Err(FrameFault::Checksum));
    assert_eq!(decode_frame(&[0xff; FRAME_MAX]), Err(FrameFault::Length(0xff)));
}

/// Frames that the sample firmware sent: `net-1.0.0.elf` and `io-1.0.0.hex`, run by the processor emulator
/// Unicorn 2 against a door that stands closed. Its link code shares nothing with ours.
#[test]
fn link_frames_of_another_writer() {
    let payload = |text: &str, kind, sequence| {
        let bytes = ::hex::decode(text).unwrap();
        let (got, number, payload) = decode_frame(&bytes).unwrap();
        assert_eq!((got, number), (kind, sequence), "{text}");
        payload.to_vec()
    };
    let link = LinkRange { oldest: 1, newest: 1 };
    let profile = ActuationProfile { id: 1, version: 1 };
    let asked = payload("01010501010100017679", 1, 1);
    assert_eq!(Ask::decode(1, &asked), Some(Ask::Hello { link, profile }));
    assert_eq!(Ask::decode(2, &payload("020200c49e", 2, 2)), Some(Ask::Status));

    // The loader of the emulated board gave 44332211 twice as the image's digest.
    let hello = payload("8101140101000000000001010100014433221144332211184f", 129, 1);
    let Some(Answer::Hello(hello)) = Answer::decode(129, &hello) else { panic!("no hello") };
    assert_eq!((hello.mode, hello.version), (Mode::Application, Version::new(1, 0, 0)));
    assert_eq!((hello.link, hello.profile), (link, profile));
    assert_eq!(hello.digest, [0x44, 0x33, 0x22, 0x11, 0x44, 0x33, 0x22, 0x11]);

    // At the start: nothing is known, so it counts as moving, and the relay is inhibited.
    let first = payload("82020c008100009413000000000000de7f", 130, 2);
    let Some(Answer::Status(first)) = Answer::decode(130, &first) else { panic!("no status") };
    assert_eq!((first.position, first.moving, first.inhibited), (Position::Unknown, true, true));
    assert_eq!((first.plausible, first.settings), (false, 0));

    // A minute later, after one press of the push button.
    let later = payload("825a0c03403c009413010000005eecd6a2", 130, 0x5a);
    let Some(Answer::Status(later)) = Answer::decode(130, &later) else { panic!("no status") };
    assert_eq!((later.position, later.moving, later.inhibited), (Position::Closed, false, false));
    assert_eq!((later.plausible, later.rest_seconds, later.supply_mv), (true, 60, 5012));
    assert_eq!(later.relay_pulses, 1);
    // The settings that the sample net chip gives, from `firmware/board/src/settings.rs`.
    let none = u32::MAX;
    let settings = [
        [0, 600, 1900, 40, 1, 300, 2000, 20, 0, 0, 50, 3, 2],
        [1, 1500, 45, 10, none, none, 0, 30, none, 0, 0, 0, 0],
    ];
    assert_eq!(later.settings, sum_of(settings.into_iter().flatten()));
}
