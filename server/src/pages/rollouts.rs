//! One rollout, wave by wave.

use super::answers::{Frame, PageError, page};
use super::session::SignedIn;
use crate::app::App;
use crate::contract::{Progress, RolloutState, RolloutView, Seconds, TargetView, WaveState, WaveView};
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
    gate: String,
    soak_until: Option<String>,
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
    waves: Vec<Wave>,
}

pub(super) async fn show(
    _who: SignedIn,
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let now = app.now();
    let number: i64 = id.parse().map_err(|_| PageError::NothingHere { now })?;
    let found = app
        .db
        .read::<_, ApiError, _>(move |conn| {
            let stored = rows::get(conn, number)?;
            Ok(stored.map(|stored| views::rollout_view(conn, &stored, now)).transpose()?)
        })
        .await?;
    let view = found.ok_or(PageError::NothingHere { now })?;
    page(&Page {
        frame: Frame::new(now, true),
        rollout: Summary::new(&view),
        proves: view.proves.clone(),
        waves: view.waves.into_iter().map(|wave| Wave::new(wave, now)).collect(),
    })
}

impl Wave {
    fn new(view: WaveView, now: Seconds) -> Self {
        let gate = view.gate;
        Self {
            number: view.number,
            state: view.state.phrase(),
            tone: match view.state {
                WaveState::Passed => "good",
                WaveState::Open | WaveState::Soaking => "busy",
                WaveState::Failed => "bad",
                WaveState::NotOpen => "soft",
            },
            gate: format!(
                "Soaks {}; tolerates {} that failed and {} silent for {}.",
                span(Seconds::from(view.soak_seconds)),
                gate.max_failed,
                gate.max_silent,
                span(Seconds::from(gate.silent_after_seconds)),
            ),
            soak_until: view.soak_until.map(utc),
            targets: view.targets.into_iter().map(|target| Target::new(target, now)).collect(),
        }
    }
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
                Progress::WentBack | Progress::Refused | Progress::Silent => "bad",
                Progress::WaitingForItsTurn | Progress::Retired => "soft",
            },
            lines,
            since: view.since.map_or_else(String::new, |at| format!("for {}", span(now - at))),
        }
    }
}
