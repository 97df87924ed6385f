//! What is looked up when somebody asks, and all of it as text.

use super::census::Census;
use super::{Label, Metrics, memory};
use crate::app::App;
use crate::contract::{RolloutState, Seconds};
use crate::health::Beat;
use crate::store::{Connection, Load, StoreFault, journal, notices, rollouts};
use crate::tls::Ends;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::{ConstGauge, Gauge};
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};

const DAY: Seconds = 86_400;

/// What was seen when somebody asked.
#[derive(Debug)]
pub(super) struct Seen {
    census: Census,
    rollouts: Vec<(RolloutState, i64)>,
    journal_entries: i64,
    load: Load,
    unwritable: bool,
    notices_waiting: i64,
    beat: Beat,
    /// Days until each certificate ends, by what it is.
    certificates: Vec<(&'static str, i64)>,
    resident_bytes: Option<i64>,
}

impl Seen {
    pub(super) fn now(app: &App, conn: &Connection, census: Census) -> Result<Self, StoreFault> {
        let wall = app.wall();
        let left = |end: Seconds| (end - wall).div_euclid(DAY);
        let certificates = app.certificates.as_ref().map(|certificates| certificates.ends());
        Ok(Self {
            census,
            rollouts: rollouts::counts(conn)?,
            journal_entries: journal::end(conn)?.0,
            load: app.db.load(),
            unwritable: app.db.trouble().is_some(),
            notices_waiting: notices::count_waiting(conn)?,
            beat: app.pulse.beat(app.time.counted()),
            certificates: certificates.map_or_else(Vec::new, |Ends { root, served, .. }| {
                vec![("root", left(root)), ("served", left(served))]
            }),
            resident_bytes: memory::resident(),
        })
    }

    /// All of it, with what was counted.
    pub(super) fn text(&self, counted: &Metrics) -> Result<String, std::fmt::Error> {
        let mut registry = Registry::with_prefix("pintle");
        let at = &mut registry;
        at.register("program", "Which program this is", Info::new([("version", env!("CARGO_PKG_VERSION"))]));
        self.of_nodes(at, counted);
        self.of_rollouts(at, counted);
        self.of_the_store(at);
        self.of_the_program(at);
        let mut text = String::new();
        encode(&mut text, &registry)?;
        Ok(text)
    }

    fn of_nodes(&self, at: &mut Registry, counted: &Metrics) {
        at.register("nodes", "Nodes by where they stand", family("state", self.census.nodes.iter()));
        let help = "Nodes in touch, by what they said they do";
        at.register("nodes_doing", help, family("phase", self.census.phases.iter()));
        let help = "Nodes in touch, by how they said their last update ended";
        at.register("nodes_updated", help, family("ending", self.census.endings.iter()));
        at.register("check_ins", "Check-ins taken", counted.check_ins.clone());
        let help = "Check-ins refused, by the reason that the node was told";
        at.register("check_ins_refused", help, counted.refused_check_ins.clone());
        at.register("claims", "Claims taken", counted.claims.clone());
        let help = "Claims refused, by the reason that the node was told";
        at.register("claims_refused", help, counted.refused_claims.clone());
    }

    fn of_rollouts(&self, at: &mut Registry, counted: &Metrics) {
        let states = RolloutState::ALL.map(|state| {
            let found = self.rollouts.iter().find(|(of, _)| *of == state);
            (state.phrase(), found.map_or(0, |(_, count)| *count))
        });
        at.register("rollouts", "Rollouts by where they stand", family("state", states));
        at.register("offers", "Check-ins that were answered with an offer", counted.offers.clone());
    }

    fn of_the_store(&self, at: &mut Registry) {
        let Load { commits, lost, jobs, waiting } = self.load;
        at.register("commits", "Groups of changes that were written and synced together", total(commits));
        at.register("commits_lost", "Groups of changes that could not be written", total(lost));
        at.register("jobs", "Changes that were taken from the queue, one or more to a group", total(jobs));
        let waiting = i64::try_from(waiting).unwrap_or(i64::MAX);
        at.register("jobs_waiting", "Changes that wait in the queue", ConstGauge::new(waiting));
        let help = "1 while nothing can be written, else 0";
        at.register("unwritable", help, ConstGauge::new(i64::from(self.unwritable)));
        let help = "Notices that were not taken yet by whoever they are sent to";
        at.register("notices_waiting", help, ConstGauge::new(self.notices_waiting));
        at.register("journal_entries", "Entries of the journal", ConstGauge::new(self.journal_entries));
    }

    fn of_the_program(&self, at: &mut Registry) {
        let help = "Time since a tick came back from the writer";
        at.register_with_unit("tick_age", help, Unit::Seconds, ConstGauge::new(self.beat.since_answered));
        if !self.certificates.is_empty() {
            let left = family("certificate", self.certificates.iter().copied());
            let help = "Whole days until a certificate ends";
            at.register_with_unit("certificate_left", help, Unit::Other("days".to_owned()), left);
        }
        if let Some(bytes) = self.resident_bytes {
            at.register_with_unit(
                "resident_memory",
                "Memory that the program holds",
                Unit::Bytes,
                ConstGauge::new(bytes),
            );
        }
    }
}

/// A gauge with a line for every word, also for those that nothing is in.
fn family(
    label: &'static str,
    counts: impl IntoIterator<Item = (&'static str, i64)>,
) -> Family<Label, Gauge> {
    let family = Family::<Label, Gauge>::default();
    for (word, count) in counts {
        family.get_or_create(&[(label, word)]).set(count);
    }
    family
}

fn total(value: u64) -> ConstCounter {
    ConstCounter::new(value)
}
