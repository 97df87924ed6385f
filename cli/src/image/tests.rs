use super::*;
use crate::firmware::samples;
use crate::yard::{LATCHBOARD, testing};
use pintle_protocol::suit::peek;
use std::fs;

/// A yard of the sample images' vendor, with their board.
fn yard() -> (tempfile::TempDir, Yard) {
    let dir = tempfile::tempdir().unwrap();
    let yard = testing::yard(dir.path());
    fs::write(yard.path("boards/latchboard.toml"), LATCHBOARD).unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    (dir, yard)
}

fn request(name: &str) -> PackRequest<'static> {
    let sample = samples::find(name).unwrap();
    PackRequest {
        file: sample.file,
        bytes: sample.bytes,
        chip: sample.chip,
        board: "latchboard",
        rehearsal: false,
        way_back_to: None,
    }
}

fn try_pack(yard: &Yard, request: PackRequest<'_>) -> Result<Packing, PackError> {
    pack(yard, &yard.unlock(testing::PASSPHRASE).unwrap(), request)
}

#[test]
fn a_packed_image_reads_back_and_its_envelope_says_the_same() {
    let (_dir, yard) = yard();
    let packing = try_pack(&yard, request("net-1.0.0")).unwrap();
    let library = Library::read(&yard).unwrap();
    assert_eq!(library.images, std::slice::from_ref(&packing.image));
    let image = &library.images[0];
    assert_eq!((image.name.as_str(), image.version.to_string().as_str()), ("net-1.0.0", "1.0.0"));
    let payload = image.payload().unwrap();
    assert_eq!(payload.len() as u32, image.size);
    let bytes = fs::read(image.dir().join("envelope.suit")).unwrap();
    let seen = peek(&bytes).unwrap();
    let envelope = packing.envelope.unwrap();
    assert_eq!((seen.sequence, seen.digest), (envelope.sequence, envelope.digest));
    assert_eq!(seen.digests.as_slice(), [image.digest]);
    assert_eq!((seen.link, seen.class), (Some(image.link), Some(image.class.0)));
}

#[test]
fn the_same_image_again_changes_nothing() {
    let (_dir, yard) = yard();
    try_pack(&yard, request("io-1.0.0")).unwrap();
    let before = yard.sequences().unwrap().last(pintle_protocol::id::Role::Image);
    assert!(try_pack(&yard, request("io-1.0.0")).unwrap().envelope.is_none());
    assert_eq!(yard.sequences().unwrap().last(pintle_protocol::id::Role::Image), before);
}

#[test]
fn a_way_back_has_the_next_number_and_the_other_image() {
    let (_dir, yard) = yard();
    let old = try_pack(&yard, request("net-1.0.0")).unwrap().image;
    let new = PackRequest { way_back_to: Some("net-1.0.0"), ..request("net-1.1.0") };
    let packing = try_pack(&yard, new).unwrap();
    let (forward, back) = (packing.envelope.unwrap(), packing.way_back.unwrap());
    assert_eq!(back.sequence, forward.sequence + 1);
    assert_eq!(peek(&back.bytes).unwrap().digests.as_slice(), [old.digest]);
    let io = PackRequest { way_back_to: Some("net-1.0.0"), ..request("io-1.1.0") };
    assert!(matches!(try_pack(&yard, io), Err(PackError::WayBack { .. })));
}

#[test]
fn what_misbehaves_is_for_rehearsals_only() {
    let (_dir, yard) = yard();
    let bad = request("io-1.2.0-mute-link");
    let error = try_pack(&yard, bad).unwrap_err();
    assert!(matches!(error, PackError::Quirk { quirk: Quirk::MuteLink, .. }), "{error}");
    let packing = try_pack(&yard, PackRequest { rehearsal: true, ..bad }).unwrap();
    assert_eq!(packing.image.name, "io-1.2.0-mute-link");
}

#[test]
fn size_class_machine_and_chip_are_held_against_the_board() {
    let (_dir, yard) = yard();
    let with = |from: &str, to: &str| {
        assert!(LATCHBOARD.contains(from));
        fs::write(yard.path("boards/latchboard.toml"), LATCHBOARD.replace(from, to)).unwrap();
        let yard = Yard::open(yard.dir()).unwrap();
        let error = try_pack(&yard, request("net-1.0.0")).unwrap_err();
        assert!(Library::read(&yard).unwrap().images.is_empty());
        error
    };
    assert!(matches!(
        with("slot_bytes = 131072", "slot_bytes = 4096"),
        PackError::TooLarge { room: 4096, .. }
    ));
    assert!(matches!(with("revision = \"B\"", "revision = \"C\""), PackError::OtherClass { .. }));
    assert!(matches!(with("\"riscv\"", "\"xtensa\""), PackError::Firmware(_)));
    let other = PackRequest { chip: Chip::Io, ..request("net-1.0.0") };
    fs::write(yard.path("boards/latchboard.toml"), LATCHBOARD).unwrap();
    assert!(matches!(try_pack(&Yard::open(yard.dir()).unwrap(), other), Err(PackError::Firmware(_))));
    let nowhere = PackRequest { board: "latchbord", ..request("net-1.0.0") };
    assert!(
        matches!(try_pack(&yard, nowhere), Err(PackError::NoBoard { nearest: Some(n), .. }) if n == "latchboard")
    );
}

#[test]
fn another_image_of_the_same_version_is_refused() {
    let (_dir, yard) = yard();
    let image = try_pack(&yard, request("net-1.0.0")).unwrap().image;
    let mut other = image.payload().unwrap();
    // A byte that is not in the note: the last one.
    *other.last_mut().unwrap() ^= 1;
    let request = PackRequest { bytes: &other, file: "other.bin", ..request("net-1.0.0") };
    assert!(matches!(try_pack(&yard, request), Err(PackError::SameVersion { .. })));
}

#[test]
fn a_payload_that_changed_on_disk_is_not_shipped() {
    let (_dir, yard) = yard();
    let image = try_pack(&yard, request("net-1.0.0")).unwrap().image;
    let path = image.dir().join("payload.bin");
    let mut bytes = fs::read(&path).unwrap();
    bytes[100] ^= 1;
    fs::write(&path, bytes).unwrap();
    assert!(matches!(image.payload(), Err(LibraryError::Changed { .. })));
}
