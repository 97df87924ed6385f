//! The smallest program that holds a whole node: envelopes, manifests, decryption, trials, the way to the io
//! chip and signed check-ins, on a board whose every part is one register.
//!
//! See `lib.rs` for what it is for.
#![no_std]
#![no_main]

use pintle_protocol::agent::Node;
use pintle_protocol::board::{Board, Event, Flash, FlashFault, JoinFault, Layout, Request};
use pintle_protocol::slots::Slot;
use size_probe::{get, get_all, set, set_all};

struct Chip {
    card: [u8; 1024],
}

impl Flash for Chip {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        set(address);
        get_all(into);
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        set(address);
        set_all(bytes);
        if get() == 0 { Ok(()) } else { Err(FlashFault::Chip) }
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        set(address);
        if get() == 0 { Ok(()) } else { Err(FlashFault::Chip) }
    }
}

impl Board for Chip {
    type Flash = Self;

    fn flash(&mut self) -> &mut Self {
        self
    }

    fn layout(&self) -> Layout {
        Layout {
            record: [0x0000, 0x1000],
            secrets: 0x2000,
            card: 0x3000,
            conf: [0x4000, 0x5000],
            keys: [0x6000, 0x7000],
            net: [0x8000, 0x4_8000],
            net_room: 0x4_0000,
            io: [0x8_8000, 0xa_8000],
            io_room: 0x2_0000,
            factory: [get(), get()],
        }
    }

    fn running(&self) -> Option<Slot> {
        match get() {
            0 => Some(Slot::A),
            1 => Some(Slot::B),
            _ => None,
        }
    }

    fn random(&mut self, into: &mut [u8]) {
        get_all(into);
    }

    fn exchange(&mut self, frame: &[u8], answer: &mut [u8; 32]) -> bool {
        set_all(frame);
        get_all(answer);
        get() == 0
    }

    fn pressed(&mut self) -> bool {
        get() == 0
    }

    fn card(&mut self) -> Option<&[u8]> {
        get_all(&mut self.card);
        (get() == 0).then_some(&self.card)
    }

    fn join(&mut self, ssid: &[u8], passphrase: &str) {
        set_all(ssid);
        set_all(passphrase.as_bytes());
    }

    fn request(&mut self, base: &str, request: Request<'_>) {
        set_all(base.as_bytes());
        match request {
            Request::Claim(body) | Request::CheckIn(body) => set_all(body),
            Request::Envelope(digest) => set_all(&digest.0),
            Request::Payload { digest, offset, len } => {
                set_all(&digest.0);
                set(offset);
                set(len);
            }
        }
    }

    fn loader_counts(&self) -> bool {
        get() == 0
    }

    fn reset_io(&mut self) {
        set(2);
    }

    fn search(&mut self) {
        set(1);
    }

    fn restart(&mut self) {
        set(0);
    }
}

fn event(body: &mut [u8]) -> Event<'_> {
    match get() {
        0 => Event::Nothing,
        1 => Event::Joined { rssi_dbm: get() as i8 },
        2 => Event::JoinFailed(JoinFault::NotFound),
        3 => Event::JoinFailed(JoinFault::WrongPassphrase),
        4 => Event::JoinFailed(JoinFault::NoAddress),
        5 => Event::Lost,
        6 => Event::NoResponse,
        7 => {
            get_all(body);
            let base = body.get(..64).and_then(|base| core::str::from_utf8(base).ok()).unwrap_or_default();
            Event::Found { base, key: [get() as u8; 32] }
        }
        _ => {
            get_all(body);
            Event::Response { status: get() as u16, body }
        }
    }
}

#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
extern "C" fn start() -> ! {
    let mut body = [0; 4096];
    loop {
        let mut node = Node::new(Chip { card: [0; 1024] });
        if node.boot().is_err() {
            continue;
        }
        while node.poll(u64::from(get()), event(&mut body)).is_ok() {}
    }
}
