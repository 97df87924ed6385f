//! Files of the operator's side, and the bodies of the operator's API.

use super::seeds::image;
use super::{Target, must, way};
use pintle::calibrate::{read_curve, read_distances, read_light};
use pintle::firmware::{self, Expect, elf, hex, samples};
use pintle::yard::strict::parse;
use pintle::yard::tables::{BoardFile, CalibrationFile, KeysTable, NetworksFile, NodeFile, YardFile};
use pintle::yard::{LATCHBOARD, SAMPLE_BOARD};
use pintle_protocol::id::{Chip, Digest, NodeId};
use pintle_server::contract::{
    Admit, Evidence, ExpectNode, Gate, Kind, NewRollout, NewStep, NewTarget, NewWave, Note, OnFailure, Retire,
};
use serde_json::{from_slice, to_vec};
use std::path::Path;

pub(super) fn targets() -> Vec<Target> {
    vec![firmware_files(), hex_files(), tables(), readings(), contract()]
}

/// Whatever is read is an image for the chip asked for, with the note that is in it.
fn firmware_files() -> Target {
    let mut seeds = vec![image(Chip::Net, 1), image(Chip::Io, 1)];
    seeds.extend(["net-1.0.0", "io-1.0.0"].iter().filter_map(|n| samples::find(n)).map(|s| s.bytes.to_vec()));
    let check = |bytes: &[u8]| {
        let mut ways = [0; 2];
        for (chip, seen) in Chip::ALL.into_iter().zip(&mut ways) {
            *seen = match firmware::read(bytes, "file", Expect { machine: None, chip }) {
                Ok(image) => {
                    must(image.note.chip == chip, "an image for the other chip is read")?;
                    must(
                        image.bytes.len() as u64 <= firmware::MAX_IMAGE,
                        "an image beyond the limit is read",
                    )?;
                    1
                }
                Err(error) => {
                    must(error.to_string().contains("file"), "an error that does not name the file")?;
                    way(&std::mem::discriminant(&error.fault))
                }
            };
        }
        let _ = elf::read(bytes, None);
        Ok(way(&ways))
    };
    let mut target = Target::new("firmware", 400, seeds, Box::new(check));
    target.longest = 1 << 20;
    target
}

/// What Intel HEX says can be written again and says the same.
fn hex_files() -> Target {
    let seeds = [(0x0800_0000u32, 40usize), (0xfff0, 64), (0, 300)]
        .into_iter()
        .filter_map(|(base, len)| hex::write(base, &image(Chip::Io, 1)[..len]))
        .map(String::into_bytes)
        .collect();
    let check = |bytes: &[u8]| match hex::read(bytes) {
        Ok((base, content)) => {
            if let Some(text) = u32::try_from(base).ok().and_then(|base| hex::write(base, &content)) {
                let again = hex::read(text.as_bytes()).map_err(|f| format!("does not read again: {f:?}"))?;
                must(again == (base, content), "reads as something else the second time")?;
            }
            Ok(1)
        }
        Err(fault) => Ok(way(&std::mem::discriminant(&fault))),
    };
    let mut target = Target::new("intel-hex", 6000, seeds, Box::new(check));
    target.repair = Some(|bytes| {
        // The checksum of every record: all its bytes add up to zero.
        let lines: Vec<Vec<u8>> = bytes
            .split(|b| *b == b'\n')
            .map(|line| {
                let line = line.trim_ascii();
                let inner = line.strip_prefix(b":").and_then(|l| ::hex::decode(l).ok());
                let Some(mut record) = inner.filter(|r| r.len() > 1) else { return line.to_vec() };
                record.pop();
                let sum = record.iter().fold(0u8, |s, b| s.wrapping_add(*b)).wrapping_neg();
                record.push(sum);
                format!(":{}", ::hex::encode_upper(record)).into_bytes()
            })
            .collect();
        *bytes = lines.join(&b'\n');
    });
    target
}

/// Texts that are no table are refused with a text that names the file.
fn tables() -> Target {
    const YARD: &str = "name = \"Larkfield\"\ndomain = \"larkfield.example\"\n";
    const NETWORKS: &str = "[larkfield]\nssid = \"larkfield\"\n";
    const NODE: &str = "board = \"two-chip\"\nname = \"cart shed\"\nnetworks = [\"larkfield\"]\n\
                        [door]\nkind = \"sectional\"\nopen_below_mm = 450\n";
    let texts = [YARD, NETWORKS, NODE, SAMPLE_BOARD, LATCHBOARD];
    let seeds = texts.into_iter().map(|t| t.as_bytes().to_vec()).collect();
    let check = |bytes: &[u8]| {
        let text = String::from_utf8_lossy(bytes);
        let path = Path::new("yard/file.toml");
        let refused = [
            parse::<YardFile>(path, &text).err(),
            parse::<BoardFile>(path, &text).err(),
            parse::<NodeFile>(path, &text).err(),
            parse::<KeysTable>(path, &text).err(),
            parse::<NetworksFile>(path, &text).err(),
            parse::<CalibrationFile>(path, &text).err(),
        ];
        for error in refused.iter().flatten() {
            must(error.to_string().contains("file.toml"), "an error that does not name the file")?;
            let _ = error.hint();
        }
        Ok(way(&refused.map(|e| e.map(|e| std::mem::discriminant(&e)))))
    };
    let mut target = Target::new("yard-files", 1200, seeds, Box::new(check));
    target.longest = 4096;
    target
}

/// Readings are numbers in their ranges, or refused.
fn readings() -> Target {
    const DISTANCES: &str = "position,temperature_c,echo_us\nopen,12,1900\nclosed,-5.5,13400\n";
    const LIGHT: &str = "light,counts\ndark,12\nlight,800\n";
    const CURVE: &str = "ppm,ratio\n100,1\n400,0.4\n";
    let seeds = [DISTANCES, LIGHT, CURVE].into_iter().map(|t| t.as_bytes().to_vec()).collect();
    let check = |bytes: &[u8]| {
        let text = String::from_utf8_lossy(bytes);
        let path = Path::new("yard/readings.csv");
        let distances = read_distances(path, &text);
        let light = read_light(path, &text);
        let curve = read_curve(path, &text);
        if let Ok(all) = &distances {
            must(all.iter().all(|r| r.value.is_finite()), "a distance that is no number")?;
        }
        if let Ok(all) = &light {
            must(all.iter().all(|r| r.value.is_finite()), "a light that is no number")?;
        }
        if let Ok(points) = &curve {
            must(points.iter().all(|(a, b)| a.is_finite() && b.is_finite()), "a point that is no number")?;
            if let Ok(found) = pintle::calibrate::gas::fit(points) {
                let _ = found.ppm(1.0);
            }
        }
        Ok(way(&(distances.is_ok(), light.is_ok(), curve.is_ok())))
    };
    let mut target = Target::new("readings", 3000, seeds, Box::new(check));
    target.longest = 4096;
    target
}

/// A body that is taken means the same when it is sent on.
fn contract() -> Target {
    let step = NewStep { envelope: Digest([1; 32]), way_back: Some(Digest([2; 32])) };
    let gate = Gate {
        max_silent: 1,
        max_waiting: Some(2),
        max_restarts: Some(3),
        min_signal_dbm: Some(-80),
        ..Gate::STRICT
    };
    let wave = NewWave {
        targets: vec![NewTarget { node: NodeId([3; 16]), steps: vec![step] }],
        soak_seconds: 3600,
        evidence: Evidence { min_check_ins: 3, min_door_cycles: 1 },
        approval: true,
        gate,
    };
    let rollout = NewRollout {
        title: "net 1.1".to_owned(),
        kind: Kind::Image,
        waves: vec![wave.clone(), wave],
        on_failure: OnFailure::TurnBack,
        windows: None,
    };
    let expect = ExpectNode {
        name: "cart shed".to_owned(),
        class: pintle_protocol::sim::rig::NET,
        code_digest: Digest([4; 32]),
        replace: true,
    };
    let key = pintle_protocol::id::PublicKey([5; 32]);
    let admit = Admit { signing_key: key, sealing_key: key };
    let note = Note { note: Some("because".to_owned()) };
    let bodies = [to_vec(&rollout), to_vec(&expect), to_vec(&admit), to_vec(&note)];
    let seeds = bodies.into_iter().flatten().collect();
    let check = |bytes: &[u8]| {
        let taken = [
            again::<NewRollout>(bytes)?,
            again::<ExpectNode>(bytes)?,
            again::<Admit>(bytes)?,
            again::<Note>(bytes)?,
            again::<Retire>(bytes)?,
        ];
        Ok(way(&taken))
    };
    let mut target = Target::new("contract", 4000, seeds, Box::new(check));
    target.longest = 4096;
    target
}

/// Whether it reads as a `T`, which then reads the same again.
fn again<T>(bytes: &[u8]) -> Result<bool, String>
where
    T: serde::de::DeserializeOwned + serde::Serialize + PartialEq,
{
    let Ok(value) = from_slice::<T>(bytes) else { return Ok(false) };
    let text = to_vec(&value).map_err(|e| e.to_string())?;
    let same = from_slice::<T>(&text).map_err(|e| e.to_string())? == value;
    must(same, "reads as something else the second time")?;
    Ok(true)
}
