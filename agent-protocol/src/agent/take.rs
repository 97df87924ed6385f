//! Taking up an offer: envelope, manifest, payload, up to staged in the spare slot.

use super::machine::{Agent, push};
use super::trial::Millis;
use super::types::{Action, Actions, BUNDLE_MAX, CHUNK, Measured, Moment, RequestFault, Rest, Scratch};
use crate::bundle::{Bundle, node_refuses};
use crate::cbor::{Item, decode_into};
use crate::checkin::Offer;
use crate::cose::encrypt;
use crate::id::{Chip, Component, Digest};
use crate::interlock::{Touches, bundle_touches};
use crate::reason::Reason;
use crate::slots::{Change, Part, Slot, SlotImage, SlotText};
use crate::suit::{
    Answer, Ask, Authentic, Command, Device, Manifest, NODE_COMPONENTS, Refusal, Run, Section, Stopped,
    Ticket, TrustAnchors, envelope, node_components, payload_named, write_report,
};

/// How often one piece of a payload is asked for once more before it waits for the next offer.
const TRIES: u8 = 5;
/// How often one manifest may have the spare slot erased: for the alternatives that it names when one is not there.
pub const OPENS: u8 = 3;
/// In place of a number of tries: nothing is asked for until the same envelope is offered again.
const PAUSED: u8 = TRIES + 1;

/// Where taking up an offer stands.
#[derive(Clone, Debug, Default)]
#[allow(clippy::large_enum_variant, reason = "there is no heap, and one of these")]
pub(super) enum Taking {
    /// Nothing is being taken up.
    #[default]
    No,
    /// The envelope is being read.
    Envelope(Offer),
    /// The manifest is being carried out.
    Running(Job),
}

/// A manifest being carried out.
#[derive(Clone, Debug)]
pub(super) struct Job {
    ticket: Ticket,
    run: Run<1>,
    change: Change,
    slot: Slot,
    pub(super) doing: Doing,
    /// What the spare slot was found to hold, until it is written again.
    measured: Option<(u32, Measured)>,
    /// Bytes of the text that was checked and written, 0 without one.
    text: u16,
    /// How often the spare slot was opened.
    opened: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Doing {
    /// Erasing for a payload of this size and digest.
    Erasing { size: u32, digest: Digest },
    /// Waiting for the piece at `next`.
    Fetching { size: u32, digest: Digest, next: u32, tries: u8 },
    /// Programming the piece before `next`.
    Storing { size: u32, digest: Digest, next: u32 },
    /// Erasing for the text behind the envelope.
    ErasingText,
    /// Programming the text behind the envelope.
    StoringText,
    /// Reading the slot back.
    Measuring { size: u32 },
}

impl Taking {
    pub(super) const fn is_under_way(&self) -> bool {
        !matches!(self, Self::No) && !self.is_paused()
    }

    const fn is_paused(&self) -> bool {
        matches!(self, Self::Running(Job { doing: Doing::Fetching { tries: PAUSED, .. }, .. }))
    }

    /// What becomes of a fetch that got no answer, now that the server has replied: if it offers the same,
    /// the fetch goes on where it stopped, and nothing is erased for it once more.
    pub(super) fn offered(&mut self, envelope: Option<Digest>) {
        if !self.is_paused() {
            return;
        }
        match self {
            Self::Running(Job { change, doing: Doing::Fetching { tries, .. }, .. })
                if envelope == Some(change.manifest) =>
            {
                *tries = 0;
            }
            _ => *self = Self::No,
        }
    }

    /// Whether a bundle or a set of keys is being taken, whose text lies behind its envelope.
    pub(super) const fn holds_text(&self) -> bool {
        matches!(self, Self::Running(Job { change: Change { part: Part::Conf | Part::Keys, .. }, .. }))
    }

    /// What has to be read from the server next, if anything.
    pub(super) fn fetch(&self) -> Option<Fetch> {
        match self {
            Self::Envelope(offer) => Some(Fetch::Envelope(offer.envelope)),
            Self::Running(Job { doing: Doing::Fetching { size, digest, next, tries }, .. })
                if *tries < PAUSED =>
            {
                let len = CHUNK.min(size.saturating_sub(*next));
                Some(Fetch::Piece { digest: *digest, offset: *next, len })
            }
            Self::Running(_) | Self::No => None,
        }
    }

    /// Manifest digest of what is being taken up.
    pub(super) fn subject(&self) -> Option<Digest> {
        match self {
            Self::No => None,
            Self::Envelope(offer) => Some(offer.envelope),
            Self::Running(job) => Some(job.change.manifest),
        }
    }
}

/// What has to be read from the server next.
pub(super) enum Fetch {
    /// The envelope with this manifest digest.
    Envelope(Digest),
    /// A piece of a payload.
    Piece {
        /// SHA-256 of the whole payload.
        digest: Digest,
        /// First byte.
        offset: u32,
        /// How many bytes.
        len: u32,
    },
}

/// Commands of an update that a node cannot carry out for a component: there is no staging area
/// to copy from, images are too large to stand in a manifest, and what is small comes in it. Nor is there anybody
/// to ask for leave before anything is fetched: a door's own setting says who has to agree, and the interlock asks.
/// Nor is there a clock that could be trusted.
pub const fn cannot(component: Component) -> &'static [Command] {
    use Command::{CheckContent, Copy, Fetch, UpdateAuthorized, UseBefore, Write};
    match component {
        Component::Chip(_) => &[Write, Copy, CheckContent, UpdateAuthorized, UseBefore],
        Component::Conf | Component::Keys => &[Fetch, Copy, CheckContent, UpdateAuthorized, UseBefore],
    }
}

/// Checks a set of trust anchors.
#[inline(never)]
fn check_anchors(bytes: &[u8]) -> Result<(), Stop> {
    let mut anchors = TrustAnchors::blank();
    decode_into(&mut anchors, bytes).map_err(|f| (Reason::KeysBroken, f.at() as u32))?;
    anchors.check().map_err(|_| (Reason::KeysBroken, 0))
}

/// Why a job stops, with a detail.
type Stop = (Reason, u32);

fn stop(refusal: Refusal) -> Stop {
    (refusal.reason(), refusal.detail())
}

impl Agent {
    /// Whether an offer is worth taking up now.
    pub(super) fn wants(&self, offer: &Offer, now: Millis) -> bool {
        let rested = now.saturating_sub(self.took_up_at) >= Millis::from(self.record.rest_minutes()) * 60_000;
        let ended = self.record.outcome.is_some_and(|o| o.envelope == offer.envelope);
        let waits = self.record.staged.is_some_and(|s| s.manifest == offer.envelope);
        rested && !ended && !waits && self.record.trial.is_none() && !self.taking.is_under_way()
    }

    /// Starts to take up an offer.
    pub(super) fn take_up(&mut self, offer: Offer, now: Millis, out: &mut Actions) {
        self.took_up_at = now;
        if offer.size as usize > super::types::ENVELOPE_MAX {
            self.record.refuse(offer.envelope, Reason::TooLarge, offer.size);
            push(out, Action::Save);
            return;
        }
        self.taking = Taking::Envelope(offer);
    }

    /// The envelope came. From here on it is the buffer's contents that count.
    pub(super) fn on_envelope(&mut self, at: &Moment, body: &[u8], scratch: &mut Scratch, out: &mut Actions) {
        let Taking::Envelope(offer) = self.taking else { return };
        if !scratch.keep_envelope(body) {
            self.end_refused(offer.envelope, (Reason::TooLarge, body.len() as u32), at, out);
            return;
        }
        let admitted = self
            .authenticate(&offer, scratch.envelope())
            .and_then(|ticket| self.admit(ticket, scratch.envelope()));
        match admitted {
            Err(stop) => self.end_refused(offer.envelope, stop, at, out),
            Ok(()) => self.carry_on(Answer::Start, at, scratch, out),
        }
    }

    /// The signature, and that it is the envelope that was offered. By itself, since nothing takes more stack.
    #[inline(never)]
    fn authenticate(&self, offer: &Offer, bytes: &[u8]) -> Result<Ticket, Stop> {
        let authentic = envelope::open(bytes, &self.anchors).map_err(stop)?;
        if authentic.digest() == offer.envelope {
            Ok(authentic.ticket())
        } else {
            Err((Reason::EnvelopeOther, 0))
        }
    }

    /// All other checks that come before anything is carried out. What passes is the job at hand.
    #[inline(never)]
    fn admit(&mut self, ticket: Ticket, bytes: &[u8]) -> Result<(), Stop> {
        let authentic = ticket.redeem(bytes).map_err(stop)?;
        self.begin(ticket, &authentic).map_err(|refusal| {
            self.note_report(&authentic, Err(&authentic.stopped(&refusal)));
            stop(refusal)
        })
    }

    #[inline(never)]
    fn begin(&mut self, ticket: Ticket, authentic: &Authentic<'_>) -> Result<(), Refusal> {
        let manifest = self.read(authentic)?;
        let several = Refusal::Components { at: 0, count: manifest.components().len() as u64 };
        let [index] = manifest.components() else { return Err(several) };
        let component = NODE_COMPONENTS.get(usize::from(*index)).copied().ok_or(several)?;
        // Refused now rather than when it comes to it: nothing has been touched yet.
        if let Some((command, at)) = manifest.uses(&Section::UPDATE, cannot(component)) {
            return Err(Refusal::Command { at, code: Some(command.code()) });
        }
        let role = component.writer();
        if !self.record.admits(role, manifest.sequence()) {
            return Err(Refusal::SequenceOld {
                found: manifest.sequence(),
                kept: self.record.kept_sequence(role),
            });
        }
        let change =
            Change { part: component.into(), manifest: authentic.digest(), sequence: manifest.sequence() };
        self.taking = Taking::Running(Job {
            ticket,
            run: Run::update_one(&manifest),
            change,
            slot: self.record.spare(change.part),
            doing: Doing::Measuring { size: 0 },
            measured: None,
            text: 0,
            opened: 0,
        });
        Ok(())
    }

    fn read<'a>(&self, authentic: &Authentic<'a>) -> Result<Manifest<'a>, Refusal> {
        let specs = node_components(self.id.net_class, self.id.io_class);
        let device = Device { vendor: self.id.vendor, device: self.id.node, components: &specs };
        authentic.manifest(&device)
    }

    /// Goes on with the manifest until something has to be waited for.
    fn carry_on(&mut self, answer: Answer, at: &Moment, scratch: &mut Scratch, out: &mut Actions) {
        // Moved out, so that the job and the agent can be used side by side.
        let Taking::Running(mut job) = core::mem::take(&mut self.taking) else { return };
        let manifest_digest = job.change.manifest;
        let (envelope, mut plain) = scratch.split();
        let step = self.advance(&mut job, answer, envelope, &mut plain, out);
        match step {
            Ok(false) => self.taking = Taking::Running(job),
            Ok(true) => {
                // A press on the button was for what waited before.
                self.consent_at = None;
                self.staged_at = Some(at.now);
                self.bundle_touches = match job.change.part {
                    Part::Conf => self.touches_of(scratch.rest()),
                    Part::Net | Part::Io | Part::Keys => None,
                };
                push(out, Action::Save);
            }
            Err(stop) => self.end_refused(manifest_digest, stop, at, out),
        }
    }

    /// Whether everything is staged (`true`) or something has to be waited for. How it ends is
    /// reported.
    fn advance(
        &mut self,
        job: &mut Job,
        answer: Answer,
        envelope: &[u8],
        plain: &mut Rest<'_>,
        out: &mut Actions,
    ) -> Result<bool, Stop> {
        // The buffer must still hold what was verified (REQ.SEC.MFST.CONST).
        let authentic = job.ticket.redeem(envelope).map_err(stop)?;
        let mut failed = None;
        let end = self.work(job, answer, &authentic, plain, out, &mut failed);
        match end {
            Ok(false) => {}
            Ok(true) => self.note_report(&authentic, Ok(())),
            Err((reason, _)) => {
                let stopped = failed.unwrap_or_else(|| job.run.stopped(reason));
                self.note_report(&authentic, Err(&stopped));
            }
        }
        end
    }

    /// The manifest, until it ends or has to wait. `failed`: what the manifest's own commands say of it.
    #[inline(never)]
    fn work(
        &mut self,
        job: &mut Job,
        mut answer: Answer,
        authentic: &Authentic<'_>,
        plain: &mut Rest<'_>,
        out: &mut Actions,
        failed: &mut Option<Stopped>,
    ) -> Result<bool, Stop> {
        let manifest = self.read(authentic).map_err(stop)?;
        let part = job.change.part;
        loop {
            let ask = match job.run.next(&manifest, answer) {
                Ok(ask) => ask,
                Err(failure) => {
                    *failed = Some(Stopped::from(&failure));
                    return Err((failure.reason(), failure.detail()));
                }
            };
            match ask {
                Ask::Slot { .. } => answer = Answer::Slot(job.slot.index() as u64),
                Ask::Version { .. } => {
                    let running = Component::from(part);
                    answer = match running {
                        Component::Chip(chip) => match self.record.chip(chip).current() {
                            Some(i) => Answer::Version([i.version.major, i.version.minor, i.version.patch]),
                            None => Answer::No,
                        },
                        Component::Conf | Component::Keys => Answer::No,
                    };
                }
                Ask::Fetch { uri, size, digest, .. } => {
                    let Component::Chip(chip) = Component::from(part) else {
                        return Err((Reason::Unsupported, 21));
                    };
                    let digest = digest.ok_or((Reason::EnvelopeBroken, 0))?;
                    let size = self.sized(part, size)?;
                    let named = payload_named(uri);
                    if named != Some(digest) {
                        return Err((Reason::Unsupported, 21));
                    }
                    // Here already, so that nothing is erased for an image that cannot be used.
                    let promised = job.run.parameters(0);
                    if let (Some(link), Some(profile)) = (promised.link, promised.profile) {
                        self.check_pair(chip, (link, profile))?;
                    }
                    self.open_spare(job, out)?;
                    push(out, Action::Erase { part, slot: job.slot, size });
                    job.doing = Doing::Erasing { size, digest };
                    return Ok(false);
                }
                Ask::Write { content, encryption, .. } => {
                    self.check_text(part, content, encryption, plain)?;
                    self.open_spare(job, out)?;
                    let size = plain.bytes().len() as u32;
                    job.text = u16::try_from(size).unwrap_or(0);
                    push(out, Action::Erase { part, slot: job.slot, size });
                    job.doing = Doing::ErasingText;
                    return Ok(false);
                }
                Ask::Measure { size, .. } => {
                    let size = self.sized(part, size)?;
                    match job.measured {
                        Some((known, m)) if known == size => {
                            answer = Answer::Measured { digest: m.digest, size: u64::from(size) };
                        }
                        _ => {
                            push(out, Action::Measure { part, slot: job.slot, size });
                            job.doing = Doing::Measuring { size };
                            return Ok(false);
                        }
                    }
                }
                Ask::Done => {
                    self.stage(job, &manifest)?;
                    return Ok(true);
                }
                // Refused before the run began.
                Ask::Copy { .. } => return Err((Reason::Unsupported, 22)),
                Ask::Content { .. } => return Err((Reason::Unsupported, 6)),
                Ask::Invoke { .. } => return Err((Reason::Unsupported, 23)),
                Ask::Authorized { .. } => return Err((Reason::Unsupported, 27)),
            }
        }
    }

    /// Whether the other chip's image would understand an image for `chip` that speaks so.
    fn check_pair(&self, chip: Chip, speaks: crate::link::Speaks) -> Result<(), Stop> {
        match self.record.chip(chip.other()).current() {
            Some(other) if crate::link::agree(speaks, (other.link, other.profile)).is_none() => {
                Err((Reason::PairWouldBreak, 0))
            }
            Some(_) | None => Ok(()),
        }
    }

    /// From here on the spare slot holds nothing that counts, and flash knows it. Each time costs an erase: a manifest
    /// that asks for it again and again stops.
    fn open_spare(&mut self, job: &mut Job, out: &mut Actions) -> Result<(), Stop> {
        if job.opened == OPENS {
            return Err((Reason::TooLong, u32::from(OPENS)));
        }
        job.opened += 1;
        job.measured = None;
        job.text = 0;
        self.record.spare_opened(job.change.part);
        push(out, Action::Save);
        Ok(())
    }

    /// The size that a manifest names, if a slot has room for so much.
    fn sized(&self, part: Part, size: Option<u64>) -> Result<u32, Stop> {
        let size = size.ok_or((Reason::EnvelopeBroken, 0))?;
        let size = u32::try_from(size).unwrap_or(u32::MAX);
        let room = match part {
            Part::Net => self.room_net,
            Part::Io => self.room_io,
            Part::Conf | Part::Keys => BUNDLE_MAX as u32,
        };
        if size == 0 || size > room { Err((Reason::TooLarge, size)) } else { Ok(size) }
    }

    /// Opens and checks a bundle or a set of trust anchors into `plain`.
    #[inline(never)]
    pub(super) fn check_text(
        &self,
        part: Part,
        content: &[u8],
        encryption: Option<&[u8]>,
        plain: &mut Rest<'_>,
    ) -> Result<(), Stop> {
        let too_large = (Reason::TooLarge, content.len() as u32);
        if content.len() > BUNDLE_MAX {
            return Err(too_large);
        }
        let text = plain.fill(content).ok_or(too_large)?;
        match (part, encryption) {
            (Part::Conf, Some(info)) => {
                let len =
                    encrypt::decrypt(info, text, &self.id.sealing).map_err(|_| (Reason::SealWrong, 0))?;
                plain.set_len(len);
                self.check_bundle(plain.bytes())
            }
            // A bundle in clear would lie readable on the server: never.
            (Part::Conf, None) => Err((Reason::SealWrong, 0)),
            (Part::Keys, None) => check_anchors(text),
            (Part::Keys, Some(_)) => Err((Reason::Unsupported, 19)),
            (Part::Net | Part::Io, _) => Err((Reason::Unsupported, 18)),
        }
    }

    /// Checks a bundle that was opened.
    #[inline(never)]
    fn check_bundle(&self, bytes: &[u8]) -> Result<(), Stop> {
        let mut bundle = Bundle::blank();
        decode_into(&mut bundle, bytes).map_err(|f| (Reason::BundleBroken, f.at() as u32))?;
        if bundle.node != self.id.node {
            return Err((Reason::NodeOther, 0));
        }
        node_refuses(&bundle).map_or(Ok(()), |rule| Err((Reason::BundleRule, rule)))
    }

    /// What a bundle that was taken touches.
    #[inline(never)]
    fn touches_of(&self, bytes: &[u8]) -> Option<Touches> {
        let mut new = Bundle::blank();
        decode_into(&mut new, bytes).ok()?;
        Some(bundle_touches(self.bundle.as_ref(), &new))
    }

    pub(super) fn on_flash_done(&mut self, at: &Moment, scratch: &mut Scratch, out: &mut Actions) {
        let Taking::Running(job) = &mut self.taking else { return };
        let (part, slot) = (job.change.part, job.slot);
        match job.doing {
            Doing::Erasing { size, digest } => {
                job.doing = Doing::Fetching { size, digest, next: 0, tries: 0 };
                self.tend_talk(at, scratch, out);
            }
            Doing::Storing { size, digest, next } if next < size => {
                job.doing = Doing::Fetching { size, digest, next, tries: 0 };
                self.tend_talk(at, scratch, out);
            }
            Doing::Storing { .. } => self.carry_on(Answer::Done, at, scratch, out),
            Doing::ErasingText => {
                job.doing = Doing::StoringText;
                push(out, Action::StorePlain { part, slot });
            }
            Doing::StoringText => self.carry_on(Answer::Done, at, scratch, out),
            Doing::Fetching { .. } | Doing::Measuring { .. } => {}
        }
    }

    pub(super) fn on_measured(
        &mut self,
        m: &Measured,
        scratch: &mut Scratch,
        out: &mut Actions,
        at: &Moment,
    ) {
        let Taking::Running(job) = &mut self.taking else { return };
        if let Doing::Measuring { size } = job.doing {
            job.measured = Some((size, *m));
            let answer = Answer::Measured { digest: m.digest, size: u64::from(size) };
            self.carry_on(answer, at, scratch, out);
        }
    }

    /// A piece of the payload came.
    pub(super) fn on_piece(&mut self, at: &Moment, body: &[u8], scratch: &mut Scratch, out: &mut Actions) {
        let Taking::Running(job) = &mut self.taking else { return };
        let Doing::Fetching { size, digest, next, .. } = job.doing else { return };
        let wanted = CHUNK.min(size.saturating_sub(next));
        if body.len() as u32 == wanted {
            job.doing = Doing::Storing { size, digest, next: next + wanted };
            push(out, Action::StoreBody { part: job.change.part, slot: job.slot, offset: next });
        } else {
            self.on_take_failed(at, RequestFault::TooLarge, scratch, out);
        }
    }

    /// A request for an envelope or a piece of a payload failed.
    pub(super) fn on_take_failed(
        &mut self,
        at: &Moment,
        fault: RequestFault,
        scratch: &mut Scratch,
        out: &mut Actions,
    ) {
        match (&mut self.taking, fault) {
            // The server says that there is no such thing: it will not appear by asking again.
            (Taking::Envelope(offer), RequestFault::Status(404 | 410)) => {
                let digest = offer.envelope;
                self.end_refused(digest, (Reason::FetchFailed, 0), at, out);
            }
            (
                Taking::Running(Job { doing: Doing::Fetching { .. }, .. }),
                RequestFault::Status(404 | 410 | 416),
            ) => self.carry_on(Answer::Failed, at, scratch, out),
            // Asked again with the next tick, in the end with the next offer.
            (Taking::Running(Job { doing: Doing::Fetching { tries, .. }, .. }), _) if *tries < PAUSED => {
                *tries += 1;
            }
            // Nothing is lost: the offer comes again with the next check-in.
            (Taking::Envelope(_) | Taking::Running(_) | Taking::No, _) => self.taking = Taking::No,
        }
    }

    /// Everything is in the spare slot and measured; says so in the record.
    #[inline(never)]
    fn stage(&mut self, job: &Job, manifest: &Manifest<'_>) -> Result<(), Stop> {
        let Some((size, measured)) = job.measured else { return Err((Reason::EnvelopeBroken, 0)) };
        // A condition that is not met inside an alternative ends nothing, and one that is left out is not there. So
        // this is asked once more, of what goes into force.
        if !job.run.is_meant_here(manifest, 0) {
            return Err((Reason::ClassOther, 0));
        }
        if job.run.parameters(0).digest != Some(measured.digest) {
            return Err((Reason::PayloadWrong, 0));
        }
        match Component::from(job.change.part) {
            Component::Chip(chip) => {
                let note = measured.note.ok_or((Reason::NoteBroken, 0))?;
                let class = if chip == Chip::Net { self.id.net_class } else { self.id.io_class };
                let parameters = job.run.parameters(0);
                let promised = parameters.link.is_none_or(|l| l == note.link)
                    && parameters.profile.is_none_or(|p| p == note.profile)
                    && manifest.version().is_none_or(|v| v == note.version);
                if note.chip != chip || note.class != class || !promised {
                    return Err((Reason::NoteOther, 0));
                }
                let image = SlotImage::new(measured.digest, size, &note);
                self.check_pair(chip, (image.link, image.profile))?;
                self.record.stage_image(chip, job.change, image);
            }
            Component::Conf | Component::Keys => {
                // What goes into force is the text that was checked, all of it and no more.
                if size != u32::from(job.text) {
                    return Err((Reason::PayloadWrong, 0));
                }
                let text = SlotText { digest: measured.digest, size, manifest: job.change.manifest };
                self.record.stage_text(job.change, text);
            }
        }
        Ok(())
    }

    /// Keeps the report of what became of a manifest for the next check-in.
    fn note_report(&mut self, authentic: &Authentic<'_>, end: Result<(), &Stopped>) {
        self.note_report_of(authentic.digest(), authentic.reference_uri(), end);
    }

    /// The same without the envelope at hand.
    #[inline(never)]
    pub(super) fn note_report_of(
        &mut self,
        manifest: Digest,
        reference_uri: &str,
        end: Result<(), &Stopped>,
    ) {
        let buffer = self.talk.report_buffer();
        let full = buffer.resize(buffer.capacity(), 0);
        debug_assert!(full.is_ok());
        let written = write_report(manifest, reference_uri, end, buffer);
        // The shortest form always fits.
        debug_assert!(written.is_ok());
        buffer.truncate(written.unwrap_or(0));
    }

    /// Gives up what is being taken up.
    pub(super) fn give_up(
        &mut self,
        reason: Reason,
        detail: u32,
        at: &Moment,
        scratch: &Scratch,
        out: &mut Actions,
    ) {
        if let Taking::Running(job) = &self.taking
            && let Ok(authentic) = job.ticket.redeem(scratch.envelope())
        {
            let stopped = job.run.stopped(reason);
            self.note_report(&authentic, Err(&stopped));
        }
        if let Some(subject) = self.taking.subject() {
            self.end_refused(subject, (reason, detail), at, out);
        }
    }

    fn end_refused(&mut self, manifest: Digest, stop: Stop, at: &Moment, out: &mut Actions) {
        self.taking = Taking::No;
        self.record.refuse(manifest, stop.0, stop.1);
        self.talk.soon(at.now);
        push(out, Action::Save);
    }
}
