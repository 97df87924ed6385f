//! The io chip: a loader that takes images, and an application that watches the door.

use super::chance::Chance;
use super::door::Door;
use super::flash::SimFlash;
use crate::board::{Flash, FlashFault};
use crate::bundle::{SETTINGS, sum_of};
use crate::checkin::Position;
use crate::id::Digest;
use crate::image::{ImageNote, Quirk};
use crate::link::{
    Answer, Ask, FRAME_MAX, Hello, Loader, LoaderStore, Mode, Status, decode_frame, encode_frame,
};

/// Room for the application.
const ROOM: u32 = 128 * 1024;
/// Its mark of wholeness lies behind it.
const MARK: u32 = ROOM;
/// Seconds after a start in which the loader listens, the relay stays off and nothing is reported.
const START_SECONDS: u32 = 2;
/// Seconds after which an image that resets in a loop does so.
const RESET_SECONDS: u32 = 4;
/// How long the relay stays closed, in seconds.
const PULSE_SECONDS: u32 = 1;

/// The io chip's own flash.
#[derive(Clone, Debug)]
struct AppFlash(SimFlash);

impl LoaderStore for AppFlash {
    fn room(&self) -> u32 {
        ROOM
    }

    fn erase(&mut self, size: u32) -> Result<(), FlashFault> {
        (0..size.div_ceil(4096)).try_for_each(|n| self.0.erase(n * 4096))
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        // Pieces of 20 bytes stay aligned; only the last one may need padding.
        let mut padded = bytes.to_vec();
        padded.resize(bytes.len().next_multiple_of(4), 0xff);
        self.0.program(offset, &padded)
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        Ok(Digest::of(&self.0.peek(0, size)))
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        self.0.erase(MARK)?;
        if let Some((size, digest)) = whole {
            self.0.program(MARK + 4, &digest.0)?;
            self.0.program(MARK, &size.to_le_bytes())?;
        }
        Ok(())
    }
}

/// What runs on the chip.
#[derive(Clone, Debug)]
enum Runs {
    Loader(Loader),
    Application { note: ImageNote, digest: Digest, seconds: u32 },
}

/// What a hello tells of a digest.
fn short(digest: Digest) -> [u8; 8] {
    let mut short = [0; 8];
    short.copy_from_slice(&digest.0[..8]);
    short
}

/// A virtual io chip with its relay.
#[derive(Clone, Debug)]
pub struct IoChip {
    flash: AppFlash,
    runs: Runs,
    settings: [u32; SETTINGS],
    settings_sum: u16,
    inhibited: bool,
    relay_pulses: u32,
    pulse_left: u32,
    /// One exchange in so many is lost; 0: none.
    pub loses_one_in: u32,
    /// One exchange in so many has a flipped bit; 0: none.
    pub flips_one_in: u32,
    /// The answer to the next question to start is lost on the way.
    pub loses_answer_to_start: bool,
    /// A chip that says its relay is inhibited, and does not inhibit it.
    pub relay_disobeys: bool,
    asked: u64,
    chance: Chance,
}

impl IoChip {
    /// A chip with this image burnt in, as the bench leaves it.
    pub fn new(image: &[u8], chance: Chance) -> Self {
        let mut flash = AppFlash(SimFlash::new(ROOM as usize + 4096));
        flash.0.burn(0, image);
        flash.0.burn(MARK, &(image.len() as u32).to_le_bytes());
        flash.0.burn(MARK + 4, &Digest::of(image).0);
        let mut chip = Self {
            flash,
            runs: Runs::Loader(Loader::new()),
            settings: [0; SETTINGS],
            settings_sum: 0,
            inhibited: true,
            relay_pulses: 0,
            pulse_left: 0,
            loses_one_in: 0,
            flips_one_in: 0,
            loses_answer_to_start: false,
            relay_disobeys: false,
            asked: 0,
            chance,
        };
        chip.power_on();
        chip
    }

    /// Power comes back: the loader starts the application if it is whole.
    pub fn power_on(&mut self) {
        self.flash.0.cut_after(None);
        self.reset();
    }

    /// It starts again, by its reset line or its watchdog.
    pub fn reset(&mut self) {
        self.settings_sum = 0;
        // Off until the net chip has said what the bundle in force wants.
        self.inhibited = true;
        self.pulse_left = 0;
        self.runs = self.application().unwrap_or(Runs::Loader(Loader::new()));
    }

    fn application(&self) -> Option<Runs> {
        let (digest, note) = self.whole()?;
        Some(Runs::Application { note, digest, seconds: 0 })
    }

    /// The image that is marked whole, and is.
    fn whole(&self) -> Option<(Digest, ImageNote)> {
        let size = u32::from_le_bytes(self.flash.0.peek(MARK, 4).try_into().ok()?);
        let digest = Digest::from_slice(&self.flash.0.peek(MARK + 4, 32))?;
        if size > ROOM {
            return None;
        }
        let image = self.flash.0.peek(0, size);
        let note = ImageNote::find(&image).ok()?;
        (Digest::of(&image) == digest).then_some((digest, note))
    }

    /// Its flash, to cut power or wear it out.
    pub fn flash_mut(&mut self) -> &mut SimFlash {
        &mut self.flash.0
    }

    /// Its flash, to look at.
    pub fn flash(&self) -> &SimFlash {
        &self.flash.0
    }

    /// Pulses that the relay has given.
    pub fn relay_pulses(&self) -> u32 {
        self.relay_pulses
    }

    /// The note of the application that runs, if one does.
    pub fn note(&self) -> Option<&ImageNote> {
        match &self.runs {
            Runs::Application { note, .. } => Some(note),
            Runs::Loader(_) => None,
        }
    }

    /// Whether the relay would pulse if somebody pressed the controller's push button now.
    pub fn would_pulse(&self) -> bool {
        let runs = matches!(self.runs, Runs::Application { seconds, .. } if seconds >= 10);
        let free = !self.inhibited || self.relay_disobeys;
        runs && free && self.settings_sum != 0
    }

    /// Somebody presses the controller's push button: the relay pulses, unless it is inhibited.
    /// Whether it did.
    pub fn press(&mut self, door: &mut Door) -> bool {
        if !self.would_pulse() {
            return false;
        }
        self.relay_pulses += 1;
        self.pulse_left = PULSE_SECONDS;
        door.used();
        true
    }

    /// Time goes on by one second.
    pub fn second(&mut self) {
        self.pulse_left = self.pulse_left.saturating_sub(1);
        if let Runs::Application { note, seconds, .. } = &mut self.runs {
            *seconds = seconds.saturating_add(1);
            if note.quirk == Quirk::ResetLoop && *seconds >= RESET_SECONDS {
                self.power_on();
            }
        }
    }

    /// Exchanges on the link so far, lost ones too.
    pub fn asked(&self) -> u64 {
        self.asked
    }

    /// One exchange on the link. Whether an answer came back.
    pub fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX], door: &Door) -> bool {
        self.asked += 1;
        if self.chance.once_in(self.loses_one_in) {
            return false;
        }
        let mut question = frame.to_vec();
        if self.chance.once_in(self.flips_one_in) {
            self.flip(&mut question);
        }
        let Ok((kind, sequence, payload)) = decode_frame(&question) else { return false };
        let Some(ask) = Ask::decode(kind, payload) else { return false };
        let Some(said) = self.handle(&ask, door) else { return false };
        if ask == Ask::Start && core::mem::take(&mut self.loses_answer_to_start) {
            return false;
        }
        let (kind, payload) = said.encode();
        answer.fill(0);
        if encode_frame(kind, sequence, &payload, answer).is_none() {
            return false;
        }
        if self.chance.once_in(self.flips_one_in) {
            self.flip(answer);
        }
        !self.chance.once_in(self.loses_one_in)
    }

    fn flip(&mut self, bytes: &mut [u8]) {
        let bit = self.chance.below(bytes.len() as u32 * 8) as usize;
        bytes[bit / 8] ^= 1 << (bit % 8);
    }

    fn handle(&mut self, ask: &Ask, door: &Door) -> Option<Answer> {
        match &mut self.runs {
            Runs::Loader(loader) => {
                if let Ask::Hello { .. } = ask {
                    // It says so too while it does not run it.
                    let whole = self.whole();
                    return Some(Answer::Hello(Hello {
                        mode: Mode::Loader,
                        version: crate::version::Version::default(),
                        link: crate::version::LinkRange { oldest: 0, newest: 0 },
                        profile: crate::version::ActuationProfile { id: 0, version: 0 },
                        digest: whole.map_or([0; 8], |(digest, _)| short(digest)),
                    }));
                }
                let said = match loader.handle(ask, &mut self.flash) {
                    Ok(said) => said?,
                    Err(FlashFault::PowerLost) => return None,
                    Err(_) => Answer::No,
                };
                if *ask == Ask::Start && matches!(said, Answer::Done { .. }) {
                    self.power_on();
                }
                Some(said)
            }
            // After every start the loader listens first; after that it is the image that has to answer.
            Runs::Application { seconds, .. } if *seconds < START_SECONDS && *ask != Ask::EnterLoader => None,
            Runs::Application { note, seconds, .. }
                if note.quirk == Quirk::MuteLink && *seconds >= START_SECONDS =>
            {
                None
            }
            Runs::Application { note, digest, .. } => match ask {
                Ask::Hello { .. } => Some(Answer::Hello(Hello {
                    mode: Mode::Application,
                    version: note.version,
                    link: note.link,
                    profile: note.profile,
                    digest: short(*digest),
                })),
                Ask::Status => {
                    let quirk = note.quirk;
                    Some(Answer::Status(self.status(door, quirk)))
                }
                Ask::Inhibit(on) => {
                    self.inhibited = *on;
                    Some(Answer::Done { next: 0 })
                }
                Ask::EnterLoader => {
                    self.inhibited = true;
                    self.runs = Runs::Loader(Loader::new());
                    Some(Answer::Done { next: 0 })
                }
                Ask::Setting { key, value } => {
                    let key = usize::from(*key);
                    *self.settings.get_mut(key)? = *value;
                    if key + 1 == SETTINGS {
                        self.settings_sum = sum_of(self.settings.iter().copied());
                    }
                    Some(Answer::Done { next: 0 })
                }
                // An application that is already running has been started.
                Ask::Start => Some(Answer::Done { next: 0 }),
                Ask::Begin { .. } | Ask::Digest { .. } | Ask::Data { .. } | Ask::Finish => Some(Answer::No),
            },
        }
    }

    fn status(&self, door: &Door, quirk: Quirk) -> Status {
        let [_, open_below, closed_above, ..] = self.settings;
        let position = if self.settings_sum == 0 {
            Position::Unknown
        } else if u32::from(door.distance_mm) < open_below {
            Position::Open
        } else if u32::from(door.distance_mm) > closed_above {
            Position::Closed
        } else {
            Position::PartlyOpen
        };
        let position = match (quirk, position) {
            (Quirk::WrongPosition, Position::Open) => Position::Closed,
            (Quirk::WrongPosition, Position::Closed | Position::PartlyOpen) => Position::Open,
            (_, position) => position,
        };
        let co_fast = self.settings[17];
        Status {
            position,
            moving: door.moves(),
            relay_pulse: self.pulse_left > 0,
            close_pending: door.close_pending,
            warning: door.warning,
            button: door.hand_at_button,
            gas_alarm: self.settings_sum != 0 && u32::from(door.co_ppm) >= co_fast,
            plausible: (200..=4000).contains(&door.distance_mm),
            inhibited: self.inhibited,
            rest_seconds: u16::try_from(door.rest_seconds()).unwrap_or(u16::MAX),
            supply_mv: door.supply_mv,
            relay_pulses: self.relay_pulses,
            settings: self.settings_sum,
        }
    }
}
