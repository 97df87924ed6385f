//! How nodes and rollouts are shown to people.

use crate::ui::{Answer, count, table};
use jiff::Timestamp;
use pintle_server::contract::{NodeView, RolloutState, RolloutView, Seconds, WaveState};
use serde::Serialize;

/// `2026-11-25 09:14 UTC`.
pub(super) fn utc(seconds: Seconds) -> String {
    match Timestamp::from_second(seconds) {
        Ok(time) => time.strftime("%Y-%m-%d %H:%M UTC").to_string(),
        Err(_) => format!("{seconds} s"),
    }
}

/// A rollout.
#[derive(Serialize)]
#[serde(transparent)]
pub(super) struct Rollout(pub(super) RolloutView);

impl Answer for Rollout {
    fn text(&self) -> String {
        let r = &self.0;
        let mut text = format!("rollout {} \"{}\" ({}): {}\n", r.id, r.title, r.kind.word(), r.state);
        if let Some(why) = &r.held_because {
            text += &format!("  {why}\n");
        }
        if let Some(w) = &r.windows {
            let (now, zone) = (if w.open { "open" } else { "closed" }, &w.windows.zone);
            text += &format!("  something new is offered in its windows only ({zone}); {now} now");
            text += &w.changes_at_local.as_ref().map_or_else(String::new, |at| format!(", until {at}"));
            text.push('\n');
        }
        for wave in &r.waves {
            text += &format!("\nwave {}: {}", wave.number, wave.state);
            if let Some(until) = wave.soak_until {
                text += &format!(", soaks until {}", utc(until));
            }
            text += &format!("\n  proves: {}\n", wave.proves);
            for wait in &wave.waits_for {
                text += &format!("  waits: {wait}\n");
            }
            let rows: Vec<_> = wave
                .targets
                .iter()
                .map(|t| {
                    let step =
                        if t.steps > 1 { format!("step {} of {}", t.step, t.steps) } else { String::new() };
                    let progress = if t.turning_back {
                        format!("{} (turning back)", t.progress)
                    } else {
                        t.progress.to_string()
                    };
                    let why = t.reason.clone().unwrap_or_else(|| t.holds.join("; "));
                    vec![format!("  {}", t.name), progress, step, why]
                })
                .collect();
            text += &table(&rows);
        }
        if !r.proves.is_empty() {
            text += &format!("\n{}\n", r.proves);
        }
        text
    }
}

/// Whether a rollout has come to rest.
pub(super) fn at_rest(r: &RolloutView) -> bool {
    match r.state {
        RolloutState::Done | RolloutState::Held => true,
        RolloutState::TurnedBack => r.ended_at.is_some(),
        // A wave that waits for approval goes no further by itself.
        RolloutState::UnderWay => r.waves.iter().any(|w| w.state == WaveState::ForApproval),
        RolloutState::Ready => false,
    }
}

/// A node as the server knows it.
pub(super) fn node_text(v: &NodeView) -> String {
    let mut rows = vec![
        vec!["name".to_owned(), v.name.clone()],
        vec!["status".to_owned(), v.status.to_string()],
        vec!["identifier".to_owned(), v.id.to_string()],
        vec!["last seen".to_owned(), v.last_seen.map_or_else(|| "never".to_owned(), utc)],
    ];
    if let Some(r) = &v.report {
        let io = r.io.as_ref().map_or_else(|| "does not answer".to_owned(), |io| io.version.clone());
        rows.extend([
            vec!["net chip".to_owned(), format!("{}, slot {}", r.net.version, r.net.slot)],
            vec!["io chip".to_owned(), io],
            vec!["door".to_owned(), r.position.clone()],
            vec!["doing".to_owned(), r.phase.clone()],
            vec!["Wi-Fi".to_owned(), format!("network {}, {} dBm", r.wifi.index, r.wifi.rssi_dbm)],
            vec!["supply".to_owned(), format!("{} mV at the lowest", r.supply_mv)],
            vec!["starts".to_owned(), r.starts.to_string()],
            vec!["relay".to_owned(), count(r.relay_pulses as usize, "pulse")],
        ]);
        if let Some(o) = &r.outcome {
            let why = o.sentence.as_deref().map(|s| format!(": {s}")).unwrap_or_default();
            rows.push(vec!["last update".to_owned(), format!("{}{why}", o.ending)]);
        }
    }
    rows.extend(v.left_behind.iter().map(|left| vec!["left behind".to_owned(), left.clone()]));
    rows.extend(v.waits_for.iter().map(|hold| vec!["waits".to_owned(), hold.clone()]));
    table(&rows)
}
