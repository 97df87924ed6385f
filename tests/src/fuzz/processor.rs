//! Manifests that are signed, whatever they say: what the processor makes of them.

use super::random::Random;
use super::seeds::{self, column};
use super::{Target, must, way};
use pintle_protocol::id::{Digest, PublicKey, Role};
use pintle_protocol::sim::rig::{IO, NET, NODE, VENDOR, Yard};
use pintle_protocol::suit::{
    Answer, Ask, Device, MAX_STEPS, Manifest, NODE_COMPONENTS, Run, Stopped, envelope, node_components,
    write_report,
};
use x25519_dalek::StaticSecret;

/// One target for each role: its key signs, its rights bound what may happen.
pub(super) fn targets() -> Vec<Target> {
    vec![
        target("manifest-root", Role::Root),
        target("manifest-image", Role::Image),
        target("manifest-bundle", Role::Bundle),
    ]
}

/// Manifests to start from.
pub(super) fn manifests(yard: &Yard, sealing_key: PublicKey) -> Vec<Vec<u8>> {
    let mut all = seeds::envelopes(yard, sealing_key, &seeds::bundle());
    all.extend(column(include_str!("../../vectors/suit_profile.txt"), 1));
    all.extend(column(include_str!("../../vectors/suit_examples.txt"), 1));
    all.extend(seeds::vectors("envelopes", "message"));
    all.extend(seeds::vectors("refused", "message").into_iter().filter(|m| m.starts_with(&[0xd8, 0x6b])));
    all.iter().map(|e| seeds::manifest(e)).filter(|m| !m.is_empty()).collect()
}

fn target(name: &'static str, role: Role) -> Target {
    let yard = Yard::default();
    let public = PublicKey(x25519_dalek::PublicKey::from(&StaticSecret::from([8; 32])).to_bytes());
    let anchors = yard.anchors();
    let seeds = manifests(&yard, public);
    let check = move |bytes: &[u8]| {
        let envelope = seeds::signed(bytes, seeds::signer(&yard, role));
        let authentic = match envelope::open(&envelope, &anchors) {
            Ok(authentic) => authentic,
            Err(refusal) => return Ok(way(&std::mem::discriminant(&refusal))),
        };
        must(authentic.role() == role, "the key counts for another role")?;
        let components = node_components(NET, IO);
        let device = Device { vendor: VENDOR, device: NODE, components: &components };
        let manifest = match authentic.manifest(&device) {
            Ok(manifest) => manifest,
            Err(refusal) => return Ok(way(&std::mem::discriminant(&refusal))),
        };
        let again = authentic.ticket().redeem(&envelope).map_err(|r| format!("{r:?}"))?;
        must(again.digest() == authentic.digest(), "a ticket is good for another envelope")?;
        let mut random = Random::of(bytes);
        let ends = [
            run(&manifest, role, Run::update(&manifest), &mut random)?,
            run(&manifest, role, Run::invoke(&manifest).with_clock(1_800_000_000), &mut random)?,
        ];
        Ok(way(&ends))
    };
    Target::new(name, 3000, seeds, Box::new(check))
}

/// Carries a procedure out with answers that mostly fit. It ends, writes only what the key may write,
/// and stays ended.
fn run(manifest: &Manifest<'_>, role: Role, mut run: Run, random: &mut Random) -> Result<u64, String> {
    let uri = manifest.reference_uri().unwrap_or_default();
    let mut answer = Answer::Start;
    for _ in 0..=MAX_STEPS {
        let ask = match run.next(manifest, answer) {
            Ok(ask) => ask,
            Err(failure) => {
                must(run.next(manifest, Answer::Done).is_err(), "a run goes on after its failure")?;
                let mut report = [0; 512];
                let stopped = Stopped::from(&failure);
                let _ = write_report(manifest.digest(), uri, Err(&stopped), &mut report);
                return Ok(way(&failure.kind));
            }
        };
        if let Ask::Fetch { component, .. } | Ask::Write { component, .. } | Ask::Copy { component, .. } = ask
        {
            let place = manifest.components().get(usize::from(component)).copied();
            let part = place.and_then(|n| NODE_COMPONENTS.get(usize::from(n))).copied();
            let part = part.ok_or("a component that the node does not have")?;
            must(part.writer() == role, "a key writes what it may not")?;
        }
        answer = match ask {
            Ask::Done => {
                let mut report = [0; 512];
                let _ = write_report(manifest.digest(), uri, Ok(()), &mut report);
                return Ok(0);
            }
            Ask::Slot { .. } => Answer::Slot(random.below(2) as u64),
            Ask::Fetch { .. } | Ask::Write { .. } | Ask::Copy { .. } | Ask::Invoke { .. } => Answer::Done,
            Ask::Measure { component, size } => {
                let digest = run.parameters(component).digest.unwrap_or(Digest([0; 32]));
                Answer::Measured { digest, size: size.unwrap_or(0) }
            }
            Ask::Content { .. } | Ask::Authorized { .. } => Answer::Yes,
            Ask::Version { .. } => Answer::Version([1, 0, 0]),
        };
        if random.once_in(12) {
            answer = [Answer::Failed, Answer::No, Answer::Start, Answer::Slot(u64::MAX)][random.below(4)];
        }
    }
    Err("a procedure does not end".to_owned())
}
