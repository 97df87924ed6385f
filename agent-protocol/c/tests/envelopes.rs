//! Envelopes that no packer of ours writes, signed by the owner all the same: a chip that verifies them by itself is told
//! nothing but what a node would put into force.

use pintle_c::*;
use pintle_protocol::cbor::encode_message;
use pintle_protocol::cose::sign1;
use pintle_protocol::id::{Digest, Uuid16};
use pintle_protocol::reason::Reason;
use pintle_protocol::sim::rig::{IO, NET, NODE, VENDOR, Yard};

// CBOR, RFC 8949 section 3.
fn head(major: u8, n: usize) -> Vec<u8> {
    match n {
        0..24 => vec![major << 5 | n as u8],
        24..256 => vec![major << 5 | 24, n as u8],
        _ => [vec![major << 5 | 25], (n as u16).to_be_bytes().to_vec()].concat(),
    }
}

fn int(n: i64) -> Vec<u8> {
    if n < 0 { head(1, (-1 - n) as usize) } else { head(0, n as usize) }
}

fn bytes(content: &[u8]) -> Vec<u8> {
    [head(2, content.len()), content.to_vec()].concat()
}

fn array(items: &[Vec<u8>]) -> Vec<u8> {
    [head(4, items.len()), items.concat()].concat()
}

fn members(list: &[(i64, Vec<u8>)]) -> Vec<u8> {
    let all: Vec<u8> = list.iter().flat_map(|(key, value)| [int(*key), value.clone()].concat()).collect();
    [head(5, list.len()), all].concat()
}

fn digest(of: &[u8]) -> Vec<u8> {
    array(&[int(-16), bytes(&Digest::of(of).0)])
}

/// Commands of draft-ietf-suit-manifest-37 section 6, each with its argument.
type Commands = Vec<Vec<u8>>;

fn command(code: i64) -> Commands {
    vec![int(code), int(15)]
}

fn set(parameters: &[(i64, Vec<u8>)]) -> Commands {
    vec![int(20), members(parameters)]
}

fn named(image: &[u8]) -> Commands {
    set(&[(3, bytes(&digest(image))), (14, int(image.len() as i64))])
}

fn fetch(uri: &str) -> Commands {
    let uri = [head(3, uri.len()), uri.as_bytes().to_vec()].concat();
    [set(&[(21, uri)]), command(21)].concat()
}

fn uri(image: &[u8]) -> String {
    format!("payload/{}", Digest::of(image))
}

/// An envelope for the net chip, number 9, signed by the key for images.
fn envelope(shared: &[Commands], sections: &[(i64, Vec<Commands>)]) -> Vec<u8> {
    let sequence = |commands: &[Commands]| bytes(&array(&commands.concat()));
    let common = members(&[(2, array(&[array(&[bytes(b"net")])])), (4, sequence(shared))]);
    let mut list = vec![(1, int(1)), (2, int(9)), (3, bytes(&common))];
    list.extend(sections.iter().map(|(key, commands)| (*key, sequence(commands))));
    let manifest = members(&list);
    let signed = digest(&bytes(&manifest));
    let mut block = [0; 160];
    let len = sign1::sign_detached(&Yard::default().image, None, &signed, &[], &mut block).unwrap();
    let wrapper = array(&[bytes(&signed), bytes(&block[..len])]);
    [head(6, 107), members(&[(2, bytes(&wrapper)), (3, bytes(&manifest))])].concat()
}

fn verify(envelope: &[u8]) -> Result<[u8; 32], Reason> {
    let mut anchors = vec![0; 1024];
    let len = encode_message(&Yard::default().anchors(), &mut anchors).unwrap();
    let device = PintleDevice { vendor: VENDOR.0, node: NODE.0, net_class: NET.0, io_class: IO.0 };
    let (mut out, mut refusal) = (PintleEnvelope::default(), PintleRefusal::default());
    // SAFETY: all are good.
    let code = unsafe {
        pintle_envelope_verify(
            envelope.as_ptr(),
            envelope.len(),
            anchors.as_ptr(),
            len,
            &raw const device,
            0,
            &raw mut out,
            &raw mut refusal,
        )
    };
    match code {
        PintleCode::Ok => Ok(out.payload),
        PintleCode::Refused => Err(Reason::from_code(refusal.reason).unwrap()),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_is_brought_is_what_the_manifest_names_at_its_end_for_this_board() {
    let (a, b) = (b"what it names".as_slice(), b"what it brings".as_slice());
    let meant =
        |class: Uuid16| vec![set(&[(1, bytes(&VENDOR.0)), (2, bytes(&class.0))]), command(1), command(2)];
    let shared = |more: Commands| [meant(NET), vec![more]].concat();
    let validate = || (7, vec![command(3)]);
    let good = envelope(&shared(named(a)), &[validate(), (20, vec![fetch(&uri(a))])]);
    assert_eq!(verify(&good), Ok(Digest::of(a).0));

    // Brings one thing, and names another where it is looked at.
    let install = (20, vec![named(b), fetch(&uri(b))]);
    let misled = envelope(&shared(named(a)), &[(7, vec![named(a), command(3)]), install]);
    assert_eq!(verify(&misled), Err(Reason::PayloadWrong));
    // By a name that is not its digest.
    let elsewhere = envelope(&shared(named(a)), &[validate(), (20, vec![fetch(&uri(b))])]);
    assert_eq!(verify(&elsewhere), Err(Reason::Unsupported));
    // What a node cannot carry out for a chip, though in an alternative that is not taken: writing, and a time.
    let never = |commands: Vec<Commands>| -> Commands {
        let alternative = |list: &[Commands]| bytes(&array(&list.concat()));
        vec![int(15), array(&[alternative(&[fetch(&uri(a))]), alternative(&commands)])]
    };
    let write = never(vec![set(&[(18, bytes(a))]), command(18)]);
    assert_eq!(
        verify(&envelope(&shared(named(a)), &[validate(), (20, vec![write])])),
        Err(Reason::Unsupported)
    );
    let time = never(vec![set(&[(4, int(60_000))]), command(4)]);
    assert_eq!(
        verify(&envelope(&shared(named(a)), &[validate(), (20, vec![time])])),
        Err(Reason::Unsupported)
    );
    // The conditions stand where they may fail.
    let soft = |list: &[Commands]| bytes(&array(&list.concat()));
    let either = vec![
        int(15),
        array(&[soft(&[command(1), command(14)]), soft(&[command(2), command(14)]), vec![0xf6]]),
    ];
    let nobody = vec![set(&[(1, bytes(&VENDOR.0)), (2, bytes(&[0x77; 16]))]), either, named(a)];
    assert_eq!(
        verify(&envelope(&nobody, &[validate(), (20, vec![fetch(&uri(a))])])),
        Err(Reason::ClassOther)
    );
}
