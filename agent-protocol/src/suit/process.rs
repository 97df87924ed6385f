//! Carrying out a manifest, one question at a time.
//!
//! Holds offsets and no borrows, so that a state machine can keep it while the caller fetches,
//! writes or hashes. Before every section the parameters are cleared and the shared sequence is
//! run. Source: draft-ietf-suit-manifest-37 sections 5.3.3, 6.3 to 6.5.

use super::codes::{Command, Section};
use super::device::{Identity, MAX_COMPONENTS};
use super::failure::{Failure, FailureKind, Found, Holding};
use super::manifest::{Commands, Manifest};
use super::outer::Piece;
use super::params::{ParamSet, Wanted};
use super::scan::{Index, MAX_NESTING};
use crate::cbor::Reader;
use crate::id::Digest;
use crate::version::{ActuationProfile, LinkRange};

/// Most commands that one procedure may take, repeats for several components counted.
pub const MAX_STEPS: u16 = 512;

/// What the caller has to do or find out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ask<'b> {
    /// Which slot counts for this component? Answer with [`Answer::Slot`].
    Slot {
        /// Index in the manifest's list.
        component: u8,
    },
    /// Fetch a payload into the component. [`Answer::Done`] or [`Answer::Failed`].
    Fetch {
        /// Index in the manifest's list.
        component: u8,
        /// Where it is; `#name` is an integrated payload.
        uri: &'b str,
        /// Its size, if the manifest says.
        size: Option<u64>,
        /// Its digest, if the manifest says.
        digest: Option<Digest>,
    },
    /// Write content from the manifest. [`Answer::Done`] or [`Answer::Failed`].
    Write {
        /// Index in the manifest's list.
        component: u8,
        /// The bytes; sealed if there is encryption info.
        content: &'b [u8],
        /// SUIT_Encryption_Info.
        encryption: Option<&'b [u8]>,
    },
    /// Copy from another component. [`Answer::Done`] or [`Answer::Failed`].
    Copy {
        /// Index in the manifest's list.
        component: u8,
        /// Index of the one to copy from.
        source: u8,
        /// SUIT_Encryption_Info.
        encryption: Option<&'b [u8]>,
    },
    /// Hash the component. [`Answer::Measured`].
    Measure {
        /// Index in the manifest's list.
        component: u8,
        /// How many bytes, if the manifest says.
        size: Option<u64>,
    },
    /// Compare the component with these bytes, in constant time. [`Answer::Yes`] or [`Answer::No`].
    Content {
        /// Index in the manifest's list.
        component: u8,
        /// The bytes.
        content: &'b [u8],
    },
    /// May the update go on? [`Answer::Yes`] or [`Answer::No`].
    Authorized {
        /// The smaller, the more urgent.
        priority: i64,
    },
    /// Which version is installed? [`Answer::Version`], or [`Answer::No`] if that is not known.
    Version {
        /// Index in the manifest's list.
        component: u8,
    },
    /// Hand control to the component. [`Answer::Done`] or [`Answer::Failed`].
    Invoke {
        /// Index in the manifest's list.
        component: u8,
    },
    /// All is done.
    Done,
}

/// The answer to an [`Ask`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Nothing was asked yet.
    Start,
    /// It is done.
    Done,
    /// It failed.
    Failed,
    /// The slot that counts.
    Slot(u64),
    /// What was measured.
    Measured {
        /// SHA-256.
        digest: Digest,
        /// Bytes that the component holds.
        size: u64,
    },
    /// The version installed.
    Version([u16; 3]),
    /// Yes.
    Yes,
    /// No, or not known.
    No,
}

/// Parameters of a component that a caller may look at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Parameters {
    /// Image digest.
    pub digest: Option<Digest>,
    /// Image size, in bytes.
    pub size: Option<u64>,
    /// Link versions that the image speaks.
    pub link: Option<LinkRange>,
    /// Actuation profile that it implements.
    pub profile: Option<ActuationProfile>,
}

/// The alternatives of a try-each that have not been tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Others {
    next: u16,
    left: u8,
    or_nothing: bool,
}

/// A sequence being run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Frame {
    /// Where the next command stands in the envelope.
    pos: u16,
    /// Commands left.
    left: u16,
    /// For which of the chosen components the command is run next.
    nth: u8,
    /// The chosen components.
    index: Index,
    /// For an alternative: those after it.
    others: Option<Others>,
}

/// Which manifest, and where its parts lie. A run holds places in the envelope, so it goes on only
/// with an envelope in which everything is where it was when the run began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Places {
    digest: Digest,
    starts: [usize; 3],
}

impl Places {
    fn of(manifest: &Manifest<'_>) -> Self {
        let start = |section| match manifest.commands(section) {
            Commands::Here(piece) => piece.at,
            Commands::Absent | Commands::Severed => 0,
        };
        let starts = [manifest.outer.manifest.at, start(Section::PayloadFetch), start(Section::Install)];
        Self { digest: manifest.digest(), starts }
    }
}

/// A procedure being carried out, on a manifest of at most `N` components.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run<const N: usize = MAX_COMPONENTS> {
    places: Places,
    /// Set by a failure: there is no way on.
    over: bool,
    procedure: [Section; 3],
    stage: u8,
    /// The shared sequence runs before the section itself.
    shared: bool,
    frames: heapless::Vec<Frame, { MAX_NESTING + 1 }>,
    params: [ParamSet; N],
    tested: [Identity; N],
    pending: Option<(Command, u8)>,
    /// The command at hand.
    doing: Option<Command>,
    steps: u16,
    clock: Option<u64>,
    last: (Section, u32),
}

/// How a command went for one component.
enum Step<'b> {
    Passed,
    /// A condition that is not met: inside an alternative the next one is tried.
    NotMet(FailureKind, Option<Found>),
    /// A directive that failed, or could not be tried: that ends everything, wherever it stands.
    Failed(FailureKind),
    Ask(Ask<'b>),
    Moved,
}

impl Run {
    /// The update procedure: payload-fetch, install, validate.
    pub fn update(manifest: &Manifest<'_>) -> Self {
        Self::new(manifest, Section::UPDATE)
    }

    /// The invocation procedure: validate, load, invoke.
    pub fn invoke(manifest: &Manifest<'_>) -> Self {
        Self::new(manifest, [Section::Validate, Section::Load, Section::Invoke])
    }
}

impl Run<1> {
    /// The update procedure on a manifest of one component, in less memory.
    pub fn update_one(manifest: &Manifest<'_>) -> Self {
        Self::new(manifest, Section::UPDATE)
    }
}

impl<const N: usize> Run<N> {
    fn new(manifest: &Manifest<'_>, procedure: [Section; 3]) -> Self {
        Self {
            places: Places::of(manifest),
            over: false,
            procedure,
            stage: 0,
            shared: true,
            frames: heapless::Vec::new(),
            params: [ParamSet::default(); N],
            tested: [Identity::NONE; N],
            pending: None,
            doing: None,
            steps: 0,
            clock: None,
            last: (Section::Shared, 0),
        }
    }

    /// Gives it a clock that can be trusted, in seconds since 1970. Without one, a condition on
    /// time is not met.
    #[must_use]
    pub fn with_clock(mut self, now: u64) -> Self {
        self.clock = Some(now);
        self
    }

    /// The parameters of a component, as far as they are set by now.
    pub fn parameters(&self, component: u8) -> Parameters {
        let p = self.params.get(usize::from(component)).copied().unwrap_or_default();
        Parameters { digest: p.digest, size: p.size, link: p.link, profile: p.profile }
    }

    /// Whether the section at hand has tested what a manifest has to test of this component before it is touched.
    pub fn is_meant_here(&self, manifest: &Manifest<'_>, component: u8) -> bool {
        let target = manifest.targets.get(usize::from(component));
        let tested = self.tested.get(usize::from(component));
        target.zip(tested).is_some_and(|(target, tested)| tested.covers(target.identity))
    }

    /// Takes the answer to the last question and goes on to the next: [`Answer::Start`] at first,
    /// then what fits the question. Everything ends: each round finishes a command for a component,
    /// a sequence or a section, and there is no way back to one.
    ///
    /// # Errors
    /// [`Failure`]; the procedure is then over, and so is every later call.
    pub fn next<'b>(&mut self, manifest: &Manifest<'b>, answer: Answer) -> Result<Ask<'b>, Failure> {
        if self.over || self.places != Places::of(manifest) {
            return Err(self.fail(FailureKind::Changed, 0));
        }
        let ask = self.go_on(manifest, answer);
        self.over = ask.is_err();
        ask
    }

    fn go_on<'b>(&mut self, manifest: &Manifest<'b>, answer: Answer) -> Result<Ask<'b>, Failure> {
        match self.pending.take() {
            Some((command, component)) => {
                self.doing = Some(command);
                let step = self.answered(manifest, command, component, answer);
                self.settle(manifest, step, component)?;
            }
            // Nothing was asked: only the start has an answer to that.
            None if answer != Answer::Start => return Err(self.fail(FailureKind::Changed, 0)),
            None => {}
        }
        loop {
            let Some(frame) = self.frames.last().copied() else {
                if !self.next_section(manifest)? {
                    return Ok(Ask::Done);
                }
                continue;
            };
            if frame.left == 0 {
                self.leave(manifest, frame)?;
                continue;
            }
            self.steps += 1;
            if self.steps > MAX_STEPS {
                self.doing = None;
                return Err(self.fail(FailureKind::TooManySteps, 0));
            }
            let component = frame.index.get(frame.nth).unwrap_or(0);
            match self.command(manifest, frame, component)? {
                Step::Ask(ask) => return Ok(ask),
                step => self.settle(manifest, step, component)?,
            }
        }
    }

    /// Opens the next section, with the shared sequence before it. Whether there was one.
    fn next_section(&mut self, manifest: &Manifest<'_>) -> Result<bool, Failure> {
        loop {
            let Some(section) = self.procedure.get(usize::from(self.stage)).copied() else {
                return Ok(false);
            };
            let own = match manifest.commands(section) {
                Commands::Absent => {
                    self.stage += 1;
                    continue;
                }
                Commands::Severed => {
                    self.last = (section, 0);
                    self.doing = None;
                    return Err(self.fail(FailureKind::SectionMissing, 0));
                }
                Commands::Here(piece) => piece,
            };
            if self.shared {
                self.shared = false;
                self.params = [ParamSet::default(); N];
                self.tested = [Identity::NONE; N];
                if let Commands::Here(piece) = manifest.commands(Section::Shared) {
                    self.last = (Section::Shared, 0);
                    self.enter(piece, Index::one(0), None)?;
                    return Ok(true);
                }
            }
            self.shared = true;
            self.stage += 1;
            self.last = (section, 0);
            self.enter(own, Index::one(0), None)?;
            return Ok(true);
        }
    }

    /// Begins a sequence.
    fn enter(&mut self, piece: Piece<'_>, index: Index, others: Option<Others>) -> Result<(), Failure> {
        let changed = self.fail(FailureKind::Changed, 0);
        let mut r = Reader::based(piece.bytes, piece.at);
        let len = r.array("").map_err(|_| changed)?;
        let pos = u16::try_from(r.at()).map_err(|_| changed)?;
        let left = u16::try_from(len / 2).map_err(|_| changed)?;
        self.frames.push(Frame { pos, left, nth: 0, index, others }).map_err(|_| changed)
    }

    /// Ends a sequence that was run to its end.
    fn leave(&mut self, manifest: &Manifest<'_>, frame: Frame) -> Result<(), Failure> {
        self.frames.pop();
        // An alternative that passed ends its try-each, for this component.
        if frame.others.is_some() { self.advance(manifest) } else { Ok(()) }
    }

    /// The command at hand is done for one component: on to the next, or to the next command.
    fn advance(&mut self, manifest: &Manifest<'_>) -> Result<(), Failure> {
        let changed = self.fail(FailureKind::Changed, 0);
        let Some(frame) = self.frames.last_mut() else { return Err(changed) };
        frame.nth += 1;
        if frame.index.get(frame.nth).is_some() {
            return Ok(());
        }
        let mut r = Reader::from(manifest.envelope, usize::from(frame.pos));
        r.skip().and_then(|()| r.skip()).map_err(|_| changed)?;
        frame.pos = u16::try_from(r.at()).map_err(|_| changed)?;
        frame.left -= 1;
        frame.nth = 0;
        Ok(())
    }

    /// Goes on after a command.
    fn settle(&mut self, manifest: &Manifest<'_>, step: Step<'_>, component: u8) -> Result<(), Failure> {
        match step {
            Step::Passed => self.advance(manifest),
            Step::Moved | Step::Ask(_) => Ok(()),
            Step::NotMet(kind, found) => self.not_met(manifest, kind, found, component),
            Step::Failed(kind) => Err(self.fail(kind, component)),
        }
    }

    /// A condition is not met: inside an alternative the next one is tried, elsewhere all is over.
    fn not_met(
        &mut self,
        manifest: &Manifest<'_>,
        kind: FailureKind,
        found: Option<Found>,
        component: u8,
    ) -> Result<(), Failure> {
        let failure = Failure { found, ..self.fail(kind, component) };
        let Some(Frame { others: Some(others), index, .. }) = self.frames.last().copied() else {
            return Err(failure);
        };
        self.frames.pop();
        if others.left == 0 {
            // An alternative that is exhausted aborts, even inside another one: our rule.
            return if others.or_nothing { self.advance(manifest) } else { Err(failure) };
        }
        let mut r = Reader::from(manifest.envelope, usize::from(others.next));
        let changed = self.fail(FailureKind::Changed, component);
        let piece = Piece::read(&mut r, "").map_err(|_| changed)?;
        let next = u16::try_from(r.at()).map_err(|_| changed)?;
        self.enter(piece, index, Some(Others { next, left: others.left - 1, ..others }))
    }

    /// Carries out one command for one component, as far as that needs nobody else.
    fn command<'b>(
        &mut self,
        manifest: &Manifest<'b>,
        frame: Frame,
        component: u8,
    ) -> Result<Step<'b>, Failure> {
        let changed = self.fail(FailureKind::Changed, component);
        let count = manifest.targets.len();
        if self.frames.len() == 1 {
            let start = match manifest.commands(self.last.0) {
                Commands::Here(piece) => piece.at,
                Commands::Absent | Commands::Severed => 0,
            };
            self.last.1 = usize::from(frame.pos).saturating_sub(start) as u32;
        }
        let mut r = Reader::from(manifest.envelope, usize::from(frame.pos));
        let command = r.int("").ok().and_then(Command::from_code).ok_or(changed)?;
        self.doing = Some(command);
        match command {
            Command::SetComponentIndex => {
                let index = Index::read(&mut r, count).map_err(|_| changed)?;
                let last = self.frames.last_mut().ok_or(changed)?;
                last.index = index;
                // One command, whatever was chosen before.
                last.nth = 0;
                last.pos = u16::try_from(r.at()).map_err(|_| changed)?;
                last.left -= 1;
                return Ok(Step::Moved);
            }
            Command::OverrideParameters => {
                let set = self.params.get_mut(usize::from(component)).ok_or(changed)?;
                set.set(&mut r, count).map_err(|_| changed)?;
                return Ok(Step::Passed);
            }
            Command::TryEach => {
                let len = r.array("").map_err(|_| changed)?;
                let mut ahead = r.clone();
                for _ in 1..len {
                    ahead.skip().map_err(|_| changed)?;
                }
                let or_nothing = ahead.null();
                let piece = Piece::read(&mut r, "").map_err(|_| changed)?;
                let next = u16::try_from(r.at()).map_err(|_| changed)?;
                let left = (len - 1 - u64::from(or_nothing)) as u8;
                self.enter(piece, Index::one(component), Some(Others { next, left, or_nothing }))?;
                return Ok(Step::Moved);
            }
            _ => {}
        }
        let step = self.plain(manifest, command, component);
        if let Step::Ask(_) = step {
            self.pending = Some((command, component));
        }
        Ok(step)
    }

    /// A condition or a plain directive.
    fn plain<'b>(&mut self, manifest: &Manifest<'b>, command: Command, component: u8) -> Step<'b> {
        let envelope = manifest.envelope;
        // A condition without its parameter is not met; a directive without it fails.
        let missing = Step::NotMet(FailureKind::ParameterMissing, None);
        let lacking = Step::Failed(FailureKind::ParameterMissing);
        let (Some(p), Some(target)) = (
            self.params.get(usize::from(component)).copied(),
            manifest.targets.get(usize::from(component)).copied(),
        ) else {
            return Step::Failed(FailureKind::Changed);
        };
        let touches = matches!(command, Command::Fetch | Command::Write | Command::Copy | Command::Invoke);
        if touches && !self.is_meant_here(manifest, component) {
            return Step::Failed(FailureKind::IdentityUntested);
        }
        match command {
            Command::VendorIdentifier => {
                let same = p.vendor.and_then(|s| s.bytes(envelope)).map(|b| b == manifest.vendor.0);
                self.identity(component, same, Identity::TESTED_VENDOR, Found::Vendor(manifest.vendor))
            }
            Command::ClassIdentifier => {
                let same = p.class.and_then(|s| s.bytes(envelope)).map(|b| b == target.class.0);
                self.identity(component, same, Identity::TESTED_CLASS, Found::Class(target.class))
            }
            Command::DeviceIdentifier => {
                let same = p.device.and_then(|s| s.bytes(envelope)).map(|b| b == manifest.device.0);
                self.identity(component, same, Identity::TESTED_DEVICE, Found::Device(manifest.device))
            }
            Command::ImageMatch if p.digest.is_none() => missing,
            Command::ImageMatch => Step::Ask(Ask::Measure { component, size: p.size }),
            Command::ComponentSlot if p.slot.is_none() => missing,
            Command::ComponentSlot => Step::Ask(Ask::Slot { component }),
            Command::CheckContent => match p.content.and_then(|s| s.bytes(envelope)) {
                Some(content) => Step::Ask(Ask::Content { component, content }),
                None => missing,
            },
            Command::UseBefore => match (p.use_before, self.clock) {
                (None, _) => missing,
                (Some(limit), Some(now)) if now < limit => Step::Passed,
                (Some(_), now) => Step::NotMet(FailureKind::Condition, now.map(Found::Time)),
            },
            Command::UpdateAuthorized => match p.priority {
                Some(priority) => Step::Ask(Ask::Authorized { priority }),
                None => missing,
            },
            Command::Version if p.version.is_none() => missing,
            Command::Version => Step::Ask(Ask::Version { component }),
            Command::Abort => Step::NotMet(FailureKind::Condition, None),
            Command::Fetch => match p.uri.and_then(|s| s.text(envelope)) {
                Some(uri) => Step::Ask(Ask::Fetch { component, uri, size: p.size, digest: p.digest }),
                None => lacking,
            },
            Command::Write => match p.content.and_then(|s| s.bytes(envelope)) {
                Some(content) => {
                    let encryption = p.encryption.and_then(|s| s.bytes(envelope));
                    Step::Ask(Ask::Write { component, content, encryption })
                }
                None => lacking,
            },
            Command::Copy => match p.source {
                Some(source) if source != component => {
                    let encryption = p.encryption.and_then(|s| s.bytes(envelope));
                    Step::Ask(Ask::Copy { component, source, encryption })
                }
                Some(_) => Step::Failed(FailureKind::Directive),
                None => lacking,
            },
            Command::Invoke => Step::Ask(Ask::Invoke { component }),
            Command::SetComponentIndex | Command::OverrideParameters | Command::TryEach => {
                Step::Failed(FailureKind::Changed)
            }
        }
    }

    fn identity<'b>(&mut self, component: u8, same: Option<bool>, tested: Identity, ours: Found) -> Step<'b> {
        let kind = match ours {
            Found::Device(_) => FailureKind::DeviceOther,
            _ => FailureKind::ClassOther,
        };
        match (same, self.tested.get_mut(usize::from(component))) {
            (Some(true), Some(so_far)) => {
                *so_far = so_far.and(tested);
                Step::Passed
            }
            (Some(_), _) => Step::NotMet(kind, Some(ours)),
            (None, _) => Step::NotMet(FailureKind::ParameterMissing, None),
        }
    }

    /// Holds an answer against what was asked. An answer of another kind is a failure.
    fn answered<'b>(
        &self,
        manifest: &Manifest<'b>,
        command: Command,
        component: u8,
        answer: Answer,
    ) -> Step<'b> {
        let p = self.params.get(usize::from(component)).copied().unwrap_or_default();
        let met = |holds: bool, found: Option<Found>| {
            if holds { Step::Passed } else { Step::NotMet(FailureKind::Condition, found) }
        };
        match (command, answer) {
            (Command::ImageMatch, Answer::Measured { digest, size }) => {
                if Some(digest) == p.digest && p.size.is_none_or(|s| s == size) {
                    Step::Passed
                } else {
                    let holding = Holding { digest, size: Some(size) };
                    Step::NotMet(FailureKind::ImageOther, Some(Found::Image(holding)))
                }
            }
            (Command::ComponentSlot, Answer::Slot(slot)) => {
                met(p.slot == Some(slot), Some(Found::Slot(slot)))
            }
            (Command::CheckContent | Command::UpdateAuthorized, Answer::Yes) => Step::Passed,
            (Command::Version, Answer::Version(installed)) => {
                let wanted = p.version.and_then(|s| Wanted::at(s, manifest.envelope));
                met(wanted.is_some_and(|w| w.holds(&installed)), Some(Found::Version(installed)))
            }
            (Command::CheckContent | Command::UpdateAuthorized | Command::Version, _) => met(false, None),
            (Command::Fetch | Command::Write | Command::Copy | Command::Invoke, Answer::Done) => Step::Passed,
            // It does not fit the question: the one who answers is at fault, and nothing is soft.
            (command, _) if command.is_condition() => Step::Failed(FailureKind::Condition),
            _ => Step::Failed(FailureKind::Directive),
        }
    }

    /// The section at hand, and the byte offset in it of the top-level command at hand.
    pub(super) fn place(&self) -> (Section, u32) {
        self.last
    }

    fn fail(&self, kind: FailureKind, component: u8) -> Failure {
        let (section, offset) = self.last;
        Failure { section, offset, component, command: self.doing, kind, found: None }
    }
}
