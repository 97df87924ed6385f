//! Tests of reading whole files: formats, chips, machines, and the samples.

use super::elf::{ElfFault, Kind};
use super::samples::{self, SAMPLES};
use super::*;
use pintle_protocol::id::Uuid16;
use pintle_protocol::image::{NoteFault, Quirk};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use proptest::prelude::*;
use uuid::Uuid;

const NET: Expect = Expect { machine: Some(Machine::RiscV), chip: Chip::Net };
const IO: Expect = Expect { machine: Some(Machine::Arm), chip: Chip::Io };

const fn expect(chip: Chip) -> Expect {
    match chip {
        Chip::Net => NET,
        Chip::Io => IO,
    }
}

fn note(chip: Chip) -> ImageNote {
    ImageNote {
        chip,
        version: Version::new(3, 4, 5),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
        class: Uuid16([7; 16]),
        quirk: Quirk::None,
    }
}

fn fault(bytes: &[u8], expect: Expect) -> Fault {
    read(bytes, "a.bin", expect).unwrap_err().fault
}

/// One segment of an ELF file: physical address, bytes in the file.
type Segment<'a> = (u32, &'a [u8]);

/// A 32-bit little-endian ELF file, field by field.
///
/// Source: System V Application Binary Interface, chapter 4 (52-byte header) and 5 (32-byte program headers).
fn elf(kind: u16, machine: u16, segments: &[Segment<'_>]) -> Vec<u8> {
    let mut out = b"\x7fELF\x01\x01\x01\0\0\0\0\0\0\0\0\0".to_vec();
    out.extend(kind.to_le_bytes());
    out.extend(machine.to_le_bytes());
    for word in [1u32, 0x1000, 52, 0, 0] {
        out.extend(word.to_le_bytes()); // version, entry, program headers at, section headers at, flags
    }
    for half in [52u16, 32, segments.len() as u16, 40, 0, 0] {
        out.extend(half.to_le_bytes()); // header size, program header size and count, section header size, count, names
    }
    let mut offset = 52 + 32 * segments.len() as u32;
    for (address, bytes) in segments {
        let len = bytes.len() as u32;
        // PT_LOAD, offset, virtual address (in RAM), physical address, bytes in file and memory, flags, alignment
        for word in [1, offset, 0x8000_0000, *address, len, len + 64, 5, 4] {
            out.extend(word.to_le_bytes());
        }
        offset += len;
    }
    for (_, bytes) in segments {
        out.extend_from_slice(bytes);
    }
    out
}

#[test]
fn every_sample_reads_and_is_what_its_name_says() {
    for sample in SAMPLES {
        let image = read(sample.bytes, sample.file, expect(sample.chip)).unwrap();
        assert_eq!(image.note.quirk, sample.quirk, "{}", sample.name);
        let named = sample.name.split_once('-').unwrap().1;
        let version = Version::parse(named.split('-').next().unwrap()).unwrap();
        assert_eq!(image.note.version, version, "{}", sample.name);
        let link = match (version.major, version.minor) {
            (1, 0) => (1, 1),
            (2, _) => (2, 2),
            _ => (1, 2),
        };
        assert_eq!((image.note.link.oldest, image.note.link.newest), link, "{}", sample.name);
        assert_eq!(image.note.profile, ActuationProfile { id: 1, version: 1 });
        let (format, base, class) = match sample.chip {
            Chip::Net => (Format::Elf, 0x2001_0000, samples::BOARD),
            Chip::Io => (Format::IntelHex, 0x0800_2000, samples::BOARD_IO),
        };
        assert_eq!((image.format, image.base), (format, base), "{}", sample.name);
        assert!((24 << 10..96 << 10).contains(&image.bytes.len()), "{}", image.bytes.len());
        // Source: RFC 9562 section 5.5.
        let vendor = Uuid::new_v5(&Uuid::NAMESPACE_DNS, samples::VENDOR.as_bytes());
        let class = Uuid::new_v5(&vendor, class.as_bytes());
        assert_eq!(image.note.class, Uuid16(*class.as_bytes()), "{}", sample.name);
    }
}

#[test]
fn sample_names_are_all_different_and_found() {
    for (n, sample) in SAMPLES.iter().enumerate() {
        assert_eq!(samples::find(sample.name), Some(&SAMPLES[n]));
        assert!(sample.name.starts_with(sample.chip.word()));
    }
    assert_eq!(samples::find("net-9.9.9"), None);
}

/// A raw copy of what an ELF or HEX file holds is the same image, but for the address it cannot tell.
#[test]
fn raw_copies_hold_the_same_image() {
    for name in ["net-1.0.0", "io-1.0.0"] {
        let sample = samples::find(name).unwrap();
        let image = read(sample.bytes, sample.file, expect(sample.chip)).unwrap();
        let raw = read(&image.bytes, "raw.bin", expect(sample.chip)).unwrap();
        assert_eq!(raw, Image { base: 0, format: Format::Raw, ..image });
    }
}

#[test]
fn the_other_chips_file_is_refused_with_both_machines() {
    let net = samples::find("net-1.0.0").unwrap();
    assert_eq!(fault(net.bytes, IO), Fault::Elf(ElfFault::Machine { number: 243, expected: Machine::Arm }));
    let text = read(net.bytes, "net.elf", IO).unwrap_err().to_string();
    assert!(text.starts_with("net.elf: ") && text.contains("riscv") && text.contains("arm"), "{text}");
    // HEX tells no machine, but its note tells the chip.
    let io = samples::find("io-1.0.0").unwrap();
    assert_eq!(fault(io.bytes, NET), Fault::OtherChip { found: Chip::Io, expected: Chip::Net });
}

#[test]
fn segments_lie_at_their_physical_addresses() {
    let note = note(Chip::Io).encode();
    let file = elf(2, 40, &[(0x1050, &[1, 2, 3]), (0x1000, &note)]);
    let image = read(&file, "a.elf", IO).unwrap();
    assert_eq!((image.base, image.bytes.len()), (0x1000, 0x53));
    assert_eq!(image.bytes[..64], note);
    assert_eq!(image.bytes[64..80], [FILL; 16]);
    assert_eq!(image.bytes[80..], [1, 2, 3]);
    assert_eq!(image.note, self::note(Chip::Io));
    // No machine asked for: any is taken.
    assert!(read(&file, "a.elf", Expect { machine: None, chip: Chip::Io }).is_ok());
}

#[test]
fn elf_files_of_other_kinds_are_refused() {
    let note = note(Chip::Io).encode();
    let good = elf(2, 40, &[(0x1000, &note)]);
    let with = |at: usize, byte: u8| {
        let mut file = good.clone();
        file[at] = byte;
        fault(&file, IO)
    };
    assert_eq!(with(4, 2), Fault::Elf(ElfFault::SixtyFourBits));
    assert_eq!(with(5, 2), Fault::Elf(ElfFault::BigEndian));
    assert_eq!(with(16, 1), Fault::Elf(ElfFault::Kind { found: Kind::Object }));
    assert_eq!(with(16, 3), Fault::Elf(ElfFault::Kind { found: Kind::PositionIndependent }));
    assert_eq!(with(16, 4), Fault::Elf(ElfFault::Kind { found: Kind::Other(4) }));
    assert_eq!(with(18, 83), Fault::Elf(ElfFault::Machine { number: 83, expected: Machine::Arm }));
    assert!(matches!(with(6, 9), Fault::Elf(ElfFault::Damaged { .. })));
    assert!(matches!(with(31, 0xff), Fault::Elf(ElfFault::Damaged { .. })));
    assert!(matches!(fault(&good[..40], IO), Fault::Elf(ElfFault::Damaged { .. })));
    // The last byte of the only segment is missing.
    assert_eq!(
        fault(&good[..good.len() - 1], IO),
        Fault::Elf(ElfFault::Outside { index: 0, offset: 84, size: 64 })
    );
    let twice = elf(2, 40, &[(0x1000, &note), (0x103f, &[0])]);
    assert_eq!(fault(&twice, IO), Fault::Elf(ElfFault::Overlap { first: 0, second: 1, at: 0x103f }));
    assert_eq!(fault(&elf(2, 40, &[]), IO), Fault::Layout(layout::LayoutFault::NoData));
    // Only what is to be loaded counts.
    let mut not_loaded = good.clone();
    not_loaded[52] = 4;
    assert_eq!(fault(&not_loaded, IO), Fault::Layout(layout::LayoutFault::NoData));
}

/// Source: System V ABI, registered machine numbers.
#[test]
fn machines_have_their_registered_numbers() {
    let numbers = Machine::ALL.map(|m| (m.word(), m.number()));
    assert_eq!(numbers, [("arm", 40), ("avr", 83), ("riscv", 243), ("xtensa", 94)]);
    for machine in Machine::ALL {
        assert_eq!(Machine::from_word(machine.word()), Some(machine));
        assert_eq!(Machine::from_number(machine.number()), Some(machine));
    }
    assert_eq!(Machine::from_word("z80"), None);
}

#[test]
fn formats_are_told_by_content() {
    assert_eq!(detect(b""), Err(Fault::Empty));
    assert_eq!(detect(b"UF2\nWQ]\x9e"), Err(Fault::Uf2));
    assert_eq!(detect(b"\x7fELF"), Ok(Format::Elf));
    assert_eq!(detect(b":00000001FF"), Ok(Format::IntelHex));
    assert_eq!(detect(b"\xef\xbb\xbf\r\n :00000001FF"), Ok(Format::IntelHex));
    // A damaged record is still recognised, so that the text can name the line.
    assert_eq!(detect(b":00x00001FF"), Ok(Format::IntelHex));
    assert_eq!(detect(b":0000"), Ok(Format::Raw));
    assert_eq!(detect(b":\0\0\0\0\0\0\0\0\0\0\0\0"), Ok(Format::Raw));
    assert_eq!(detect(&[0; 64]), Ok(Format::Raw));
}

#[test]
fn images_without_a_good_note_are_refused() {
    assert_eq!(fault(&[0; 200], NET), Fault::Note(NoteFault::Missing));
    let note = note(Chip::Net).encode();
    let mut shifted = vec![0; 8];
    shifted.extend_from_slice(&note);
    assert_eq!(fault(&shifted, NET), Fault::Note(NoteFault::Missing));
    let mut damaged = note;
    damaged[20] ^= 1;
    assert_eq!(fault(&damaged, NET), Fault::Note(NoteFault::Checksum { at: 0 }));
}

#[test]
fn texts_name_the_file_first() {
    let error = read(b":00000001FE", "door io.hex", IO).unwrap_err();
    assert_eq!(
        error.to_string(),
        "door io.hex: Intel HEX: line 1, byte 5: the checksum is FE, expected FF; \
         the file was damaged or edited, build it again"
    );
    let error = read(b"", "door io.hex", IO).unwrap_err();
    assert_eq!(error.to_string(), "door io.hex: the file is empty");
}

proptest! {
    #[test]
    fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = read(&bytes, "a.bin", NET);
    }

    /// Damage anywhere in the headers ends in an answer, never in a panic or a huge allocation.
    #[test]
    fn damaged_elf_headers_are_read_without_panic(changes in proptest::collection::vec((4usize..116, any::<u8>()), 1..6)) {
        let note = note(Chip::Io).encode();
        let mut file = elf(2, 40, &[(0x1000, &note), (0x2000, &[1, 2, 3])]);
        for (at, byte) in changes {
            file[at] = byte;
        }
        if let Ok(image) = read(&file, "a.elf", IO) {
            prop_assert!(image.bytes.len() as u64 <= MAX_IMAGE);
        }
    }

    #[test]
    fn segments_read_back(parts in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 1..40), 1..5), gap in 1u32..64) {
        let note = note(Chip::Io).encode();
        let mut segments: Vec<Segment<'_>> = vec![(0x400, &note)];
        let mut at = 0x440;
        for part in &parts {
            at += gap;
            segments.push((at, part));
            at += part.len() as u32;
        }
        let image = read(&elf(2, 40, &segments), "a.elf", IO);
        // Random bytes might hold a second note's first bytes; nothing else may go wrong.
        prop_assume!(!matches!(&image, Err(e) if matches!(e.fault, Fault::Note(_))));
        let image = image.unwrap();
        for (address, bytes) in segments {
            let from = (address - 0x400) as usize;
            prop_assert_eq!(&image.bytes[from..from + bytes.len()], bytes);
        }
    }
}
