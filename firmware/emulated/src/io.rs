//! A pretended io chip whose door is closed and whose relay nobody asks for.

use pintle_protocol::board::FlashFault;
use pintle_protocol::bundle::{SETTINGS, sum_of};
use pintle_protocol::checkin::Position;
use pintle_protocol::id::Digest;
use pintle_protocol::image::ImageNote;
use pintle_protocol::link::{Answer, Ask, Hello, Loader, LoaderStore, Mode, Status};
use pintle_protocol::slots::BootRecord;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

/// The io chip.
pub(crate) struct Io {
    hello: Hello,
    settings: [u32; SETTINGS],
    sum: u16,
    inhibited: bool,
    loader: Loader,
    store: Store,
}

/// Its flash, which lies elsewhere so that moving a board takes no stack for it, and the image that is whole in it.
struct Store {
    bytes: &'static mut [u8],
    whole: Option<(u32, Digest)>,
}

impl Store {
    /// What an application that starts from here says of itself.
    fn hello(&self) -> Option<Hello> {
        let (size, digest) = self.whole?;
        let note = ImageNote::find(self.bytes.get(..size as usize)?).ok()?;
        Some(Hello {
            mode: Mode::Application,
            version: note.version,
            link: note.link,
            profile: note.profile,
            digest: *digest.0.first_chunk()?,
        })
    }
}

impl LoaderStore for Store {
    fn room(&self) -> u32 {
        self.bytes.len() as u32
    }

    fn erase(&mut self, _: u32) -> Result<(), FlashFault> {
        self.bytes.fill(0xff);
        Ok(())
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let at = offset as usize;
        let place = self.bytes.get_mut(at..at + bytes.len()).ok_or(FlashFault::Range { address: offset })?;
        place.copy_from_slice(bytes);
        Ok(())
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        self.bytes.get(..size as usize).map(Digest::of).ok_or(FlashFault::Range { address: size })
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        self.whole = whole;
        Ok(())
    }
}

impl Io {
    /// One that runs the image that the record says, and takes no other.
    pub(crate) fn new(record: &BootRecord) -> Option<Self> {
        let image = record.io.current()?;
        let hello = Hello {
            mode: Mode::Application,
            version: image.version,
            link: image.link,
            profile: image.profile,
            digest: *image.digest.0.first_chunk()?,
        };
        Some(Self::saying(hello, &mut []))
    }

    /// One that waits in its loader, with this flash for an image.
    pub(crate) fn in_loader(flash: &'static mut [u8]) -> Self {
        let hello = Hello {
            mode: Mode::Loader,
            version: Version::default(),
            link: LinkRange { oldest: 0, newest: 0 },
            profile: ActuationProfile { id: 0, version: 0 },
            digest: [0; 8],
        };
        Self::saying(hello, flash)
    }

    fn saying(hello: Hello, bytes: &'static mut [u8]) -> Self {
        let (settings, sum, inhibited) = ([0; SETTINGS], 0, true);
        let store = Store { bytes, whole: None };
        Self { hello, settings, sum, inhibited, loader: Loader::new(), store }
    }

    /// Whether it runs an application.
    pub(crate) fn runs(&self) -> bool {
        self.hello.mode == Mode::Application
    }

    pub(crate) fn handle(&mut self, ask: &Ask) -> Option<Answer> {
        Some(match ask {
            Ask::Hello { .. } => Answer::Hello(self.hello),
            Ask::Status => Answer::Status(self.status()),
            Ask::Inhibit(on) => {
                self.inhibited = *on;
                Answer::Done { next: 0 }
            }
            Ask::Setting { key, value } => {
                *self.settings.get_mut(usize::from(*key))? = *value;
                if usize::from(*key) + 1 == SETTINGS {
                    self.sum = sum_of(self.settings.iter().copied());
                }
                Answer::Done { next: 0 }
            }
            _ if self.runs() => Answer::No,
            _ => {
                let answer = self.loader.handle(ask, &mut self.store).ok()??;
                if let (Ask::Start, Answer::Done { .. }) = (ask, &answer) {
                    self.hello = self.store.hello()?;
                }
                answer
            }
        })
    }

    fn status(&self) -> Status {
        Status {
            position: if self.sum == 0 { Position::Unknown } else { Position::Closed },
            moving: false,
            relay_pulse: false,
            close_pending: false,
            warning: false,
            button: false,
            gas_alarm: false,
            plausible: true,
            inhibited: self.inhibited,
            rest_seconds: 3600,
            supply_mv: 5000,
            relay_pulses: 0,
            settings: self.sum,
        }
    }
}
