//! One rollout, wave by wave.

use super::answers::{Frame, PageError, page};
use super::session::SignedIn;
use super::wifi::{self, Change};
use crate::app::App;
use crate::contract::{
    DaySpan, Evidence, Progress, RolloutState, RolloutView, Seconds, TargetView, WaveState, WaveView,
    WindowsView,
};
use crate::error::ApiError;
use crate::store::rollouts as rows;
use crate::views;
use crate::words::{span, utc};
use actix_web::{HttpResponse, web};
use askama::Template;

/// A rollout in brief.
pub(super) struct Summary {
    pub(super) id: i64,
    pub(super) title: String,
    pub(super) state: &'static str,
    pub(super) tone: &'static str,
    pub(super) because: Option<String>,
    pub(super) waves: String,
}

impl Summary {
    pub(super) fn new(view: &RolloutView) -> Self {
        let targets = view.waves.iter().flat_map(|w| &w.targets);
        let kept = targets.clone().filter(|t| t.progress == Progress::Kept).count();
        let passed = view.waves.iter().filter(|w| w.state == WaveState::Passed).count();
        Self {
            id: view.id,
            title: view.title.clone(),
            state: view.state.phrase(),
            tone: match view.state {
                RolloutState::Done if view.ended_early => "bad",
                RolloutState::Done => "good",
                RolloutState::UnderWay => "busy",
                RolloutState::Held | RolloutState::TurnedBack => "bad",
                RolloutState::Ready => "soft",
            },
            because: view.held_because.clone(),
            waves: format!(
                "{kept} of {} nodes kept it; {passed} of {} waves passed",
                targets.count(),
                view.waves.len()
            ),
        }
    }
}

struct Wave {
    number: u32,
    state: &'static str,
    tone: &'static str,
    gate: Vec<String>,
    proves: String,
    waits_for: Vec<String>,
    targets: Vec<Target>,
}

struct Target {
    id: String,
    name: String,
    progress: &'static str,
    tone: &'static str,
    lines: Vec<String>,
    since: String,
}

#[derive(Template)]
#[template(path = "rollout.html")]
struct Page {
    frame: Frame,
    rollout: Summary,
    proves: String,
    windows: Vec<String>,
    wifi: Option<Change>,
    waves: Vec<Wave>,
}

pub(super) async fn show(
    _who: SignedIn,
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (intervals, now, own) = (app.intervals, app.wall(), app.now());
    let number: i64 = id.parse().map_err(|_| PageError::NothingHere { now })?;
    let found = app
        .db
        .read::<_, ApiError, _>(move |conn| {
            let Some(stored) = rows::get(conn, number)? else { return Ok(None) };
            let view = views::rollout_view(conn, &stored, own)?;
            Ok(Some((view, wifi::change(conn, &stored, intervals, own)?)))
        })
        .await?;
    let (view, wifi) = found.ok_or(PageError::NothingHere { now })?;
    page(&Page {
        frame: Frame::new(now, true).with(app.db.trouble()),
        rollout: Summary::new(&view),
        proves: view.proves.clone(),
        windows: view.windows.as_ref().map_or_else(Vec::new, windows_lines),
        wifi,
        waves: view.waves.into_iter().map(|wave| Wave::new(wave, now)).collect(),
    })
}

impl Wave {
    fn new(view: WaveView, now: Seconds) -> Self {
        Self {
            number: view.number,
            state: view.state.phrase(),
            tone: match view.state {
                WaveState::Passed => "good",
                WaveState::Open | WaveState::Soaking | WaveState::ForApproval => "busy",
                WaveState::Failed => "bad",
                WaveState::NotOpen => "soft",
            },
            gate: gate_lines(&view),
            proves: view.proves,
            waits_for: view.waits_for,
            targets: view.targets.into_iter().map(|target| Target::new(target, now)).collect(),
        }
    }
}

/// What a wave asks for and tolerates, in sentences.
fn gate_lines(view: &WaveView) -> Vec<String> {
    let (gate, evidence) = (view.gate, view.evidence);
    let mut lines = vec![format!(
        "Soaks {}; tolerates {} that failed and {} silent for {}.",
        span(Seconds::from(view.soak_seconds)),
        gate.max_failed,
        gate.max_silent,
        span(Seconds::from(gate.silent_after_seconds)),
    )];
    if evidence != Evidence::default() {
        lines.push(format!(
            "Passes only after every node that kept it was seen in {} check-ins and {} door cycles.",
            evidence.min_check_ins, evidence.min_door_cycles
        ));
    }
    if let Some(most) = gate.max_waiting {
        let after = span(Seconds::from(gate.waiting_after_seconds));
        lines.push(format!("Tolerates {most} that wait for their door for more than {after}."));
    }
    let restarts = gate.max_restarts.map(|most| format!("more than {most} starts"));
    let signal = gate.min_signal_dbm.map(|least| format!("a signal below {least} dBm"));
    let silent = "an io chip that has fallen silent".to_owned();
    let limits: Vec<String> = [silent].into_iter().chain(restarts).chain(signal).collect();
    lines.push(format!("Tolerates {} with {} since it kept.", gate.max_unwell, limits.join(" or ")));
    if view.approval && view.approved_at.is_none() {
        lines.push("Opens only after a person approved it.".to_owned());
    }
    lines.extend(view.approved_at.map(|at| format!("Approved by a person {}.", utc(at))));
    lines
}

/// When something new is offered, in sentences.
fn windows_lines(view: &WindowsView) -> Vec<String> {
    let span = |span: &DaySpan| {
        let days: Vec<&str> = span.days.iter().map(|day| day.word()).collect();
        format!("{} {} to {}", days.join(" "), span.from, span.until)
    };
    let spans: Vec<String> = view.windows.spans.iter().map(span).collect();
    let mut lines =
        vec![format!("Something new is offered only {} ({}).", spans.join("; "), view.windows.zone)];
    if let Some(at) = &view.changes_at_local {
        lines.push(format!("{} until {at}.", if view.open { "Open now," } else { "Closed now," }));
    }
    lines
}

impl Target {
    fn new(view: TargetView, now: Seconds) -> Self {
        let mut lines = Vec::new();
        if view.steps > 1 {
            lines.push(format!("step {} of {}", view.step, view.steps));
        }
        if view.turning_back {
            lines.push("on its way back to what it ran before".to_owned());
        }
        lines.extend(view.reason);
        lines.extend(view.holds.into_iter().map(|hold| format!("waits: {hold}")));
        Self {
            id: view.node.to_string(),
            name: view.name,
            progress: view.progress.phrase(),
            tone: match view.progress {
                Progress::Kept => "good",
                Progress::Fetching | Progress::WaitingForTheDoor | Progress::OnTrial => "busy",
                Progress::WentBack | Progress::Refused | Progress::LeftBehind | Progress::Silent => "bad",
                Progress::WaitingForItsTurn | Progress::Retired => "soft",
            },
            lines,
            since: view.since.map_or_else(String::new, |at| format!("for {}", span(now - at))),
        }
    }
}
