//! The node through its C functions: what it checks, and what it does when callbacks fail. What it
//! says, is answered and keeps is held against `docs/pintle.cddl`.

#![allow(
    clippy::multiple_unsafe_ops_per_block,
    reason = "callbacks that hand on what they were given; refusals of several calls in a row"
)]

#[path = "../../../tests/tests/schema/mod.rs"]
mod schema;

use pintle_c::*;
use pintle_protocol::sim::LAYOUT;
use proptest::prelude::*;
use std::ffi::{c_char, c_void};
use std::ptr::{null, null_mut};

/// What the callbacks work on.
struct Drivers {
    hardware: *mut PintleVirtual,
    chance: Chance,
    restarts: u32,
    requests: u32,
    /// Path and body of the last request.
    asked: (String, Vec<u8>),
    /// Called back from `pressed`, and what that brought.
    meddles_with: *mut PintleNode,
    meddling: Vec<PintleCode>,
}

#[derive(Clone, Copy, PartialEq)]
enum Chance {
    Good,
    Fails,
    AllTheSame,
}

unsafe fn drivers<'a>(context: *mut c_void) -> &'a mut Drivers {
    // SAFETY: the tests hand over nothing else.
    unsafe { &mut *context.cast::<Drivers>() }
}

unsafe extern "C" fn flash_read(c: *mut c_void, address: u32, into: *mut u8, len: usize) -> i32 {
    // SAFETY: handed on as it came.
    unsafe { pintle_virtual_flash_read(drivers(c).hardware, address, into, len) }
}

unsafe extern "C" fn flash_program(c: *mut c_void, address: u32, bytes: *const u8, len: usize) -> i32 {
    // SAFETY: handed on as it came.
    unsafe { pintle_virtual_flash_program(drivers(c).hardware, address, bytes, len) }
}

unsafe extern "C" fn flash_erase(c: *mut c_void, address: u32) -> i32 {
    // SAFETY: handed on as it came.
    unsafe { pintle_virtual_flash_erase(drivers(c).hardware, address) }
}

unsafe extern "C" fn random(c: *mut c_void, into: *mut u8, len: usize) -> i32 {
    // SAFETY: as above.
    let d = unsafe { drivers(c) };
    match d.chance {
        Chance::Good => {
            // SAFETY: handed on as it came.
            unsafe { pintle_virtual_random(d.hardware, into, len) as i32 }
        }
        Chance::Fails => 1,
        Chance::AllTheSame => {
            // SAFETY: there is room for len bytes.
            unsafe { into.write_bytes(0x5a, len) };
            0
        }
    }
}

unsafe extern "C" fn exchange(c: *mut c_void, frame: *const u8, len: usize, answer: *mut u8) -> i32 {
    // SAFETY: handed on as it came.
    unsafe { pintle_virtual_exchange(drivers(c).hardware, frame, len, answer) }
}

unsafe extern "C" fn pressed(c: *mut c_void) -> i32 {
    // SAFETY: as above.
    let d = unsafe { drivers(c) };
    if !d.meddles_with.is_null() {
        let mut status = PintleStatus::default();
        // SAFETY: the node is alive; that it is at work is what is tried.
        d.meddling.push(unsafe { pintle_node_poll(d.meddles_with, 1_000_000, null()) });
        // SAFETY: as above.
        d.meddling.push(unsafe { pintle_node_status(d.meddles_with, &raw mut status) });
        // SAFETY: as above.
        d.meddling.push(unsafe { pintle_node_end(d.meddles_with) });
    }
    0
}

unsafe extern "C" fn card(c: *mut c_void, bytes: *mut *const u8, len: *mut usize) -> i32 {
    // SAFETY: handed on as it came.
    unsafe { pintle_virtual_card(drivers(c).hardware, bytes, len) }
}

unsafe extern "C" fn no_card(_: *mut c_void, _: *mut *const u8, _: *mut usize) -> i32 {
    0
}

unsafe extern "C" fn long_card(_: *mut c_void, bytes: *mut *const u8, len: *mut usize) -> i32 {
    static LONG: [u8; 4000] = [0xa0; 4000];
    // SAFETY: both can be written.
    unsafe { bytes.write(LONG.as_ptr()) };
    // SAFETY: as above.
    unsafe { len.write(LONG.len()) };
    1
}

unsafe extern "C" fn join(c: *mut c_void, ssid: *const u8, n: usize, phrase: *const c_char, m: usize) {
    // SAFETY: ended by a zero, as the header says.
    let text = unsafe { std::ffi::CStr::from_ptr(phrase) };
    assert_eq!(text.to_bytes().len(), m);
    // SAFETY: handed on as it came.
    let code = unsafe { pintle_virtual_join(drivers(c).hardware, ssid, n, phrase, m) };
    assert_eq!(code, PintleCode::Ok);
}

unsafe extern "C" fn request(c: *mut c_void, request: *const PintleRequest) {
    // SAFETY: as above.
    let d = unsafe { drivers(c) };
    d.requests += 1;
    // SAFETY: the node hands over a good one.
    let asked = unsafe { &*request };
    // SAFETY: ended by a zero, as the header says.
    let path = unsafe { std::ffi::CStr::from_ptr(asked.path) }.to_str().unwrap();
    let body = match asked.body_len {
        0 => &[],
        // SAFETY: good for its length.
        len => unsafe { std::slice::from_raw_parts(asked.body, len) },
    };
    d.asked = (path.to_owned(), body.to_vec());
    match path {
        "/node/claim" => schema::holds_each_shape("claim-message", body),
        "/node/check-in" => schema::holds_each_shape("check-in-message", body),
        _ => assert!(body.is_empty(), "{path}"),
    }
    // SAFETY: handed on as it came.
    assert_eq!(unsafe { pintle_virtual_request(d.hardware, request) }, PintleCode::Ok);
}

unsafe extern "C" fn search(c: *mut c_void) {
    // SAFETY: as above.
    let d = unsafe { drivers(c) };
    // SAFETY: as above.
    assert_eq!(unsafe { pintle_virtual_search(d.hardware) }, PintleCode::Ok);
}

unsafe extern "C" fn restart(c: *mut c_void) {
    // SAFETY: as above.
    unsafe { drivers(c) }.restarts += 1;
}

#[repr(align(16))]
struct Memory([u8; PINTLE_NODE_SIZE]);

struct Bench {
    drivers: Box<Drivers>,
    table: PintleBoard,
    memory: Box<Memory>,
    node: *mut PintleNode,
    now: u64,
}

impl Bench {
    fn new() -> Self {
        let mut drivers = Box::new(Drivers {
            hardware: pintle_virtual_new(),
            chance: Chance::Good,
            restarts: 0,
            requests: 0,
            asked: Default::default(),
            meddles_with: null_mut(),
            meddling: Vec::new(),
        });
        let mut layout = PintleLayout::default();
        // SAFETY: both are good.
        assert_eq!(unsafe { pintle_virtual_layout(drivers.hardware, &raw mut layout) }, PintleCode::Ok);
        let table = PintleBoard {
            size: size_of::<PintleBoard>() as u32,
            net_slot: 0,
            loader_counts: 0,
            layout,
            context: (&raw mut *drivers).cast(),
            flash_read: Some(flash_read),
            flash_program: Some(flash_program),
            flash_erase: Some(flash_erase),
            random: Some(random),
            exchange: Some(exchange),
            pressed: Some(pressed),
            card: Some(card),
            join: Some(join),
            request: Some(request),
            restart: Some(restart),
            search: Some(search),
            reset_io: None,
        };
        let memory = Box::new(Memory([0xa5; PINTLE_NODE_SIZE]));
        Self { drivers, table, memory, node: null_mut(), now: 0 }
    }

    fn init_at(&mut self, offset: usize, len: usize) -> (PintleCode, u32) {
        let mut detail = 77;
        // SAFETY: within the memory, or refused because it is not.
        let memory = unsafe { self.memory.0.as_mut_ptr().add(offset) };
        // SAFETY: all good, or what is tried.
        let code = unsafe {
            pintle_node_init(memory.cast(), len, &raw const self.table, &raw mut self.node, &raw mut detail)
        };
        assert_eq!(self.node.is_null(), code != PintleCode::Ok);
        (code, detail)
    }

    fn init(&mut self) -> (PintleCode, u32) {
        self.init_at(0, PINTLE_NODE_SIZE)
    }

    fn poll_with(&mut self, event: *const PintleEvent) -> PintleCode {
        // SAFETY: the node is live or null, the event good or null.
        unsafe { pintle_node_poll(self.node, self.now, event) }
    }

    fn second(&mut self) -> PintleCode {
        let mut event = EVENT;
        // SAFETY: both are good.
        let went_on = unsafe { pintle_virtual_second(self.drivers.hardware, &raw mut event) };
        assert_eq!(went_on, PintleCode::Ok);
        if event.kind == PintleEventKind::Response as u8 && (200..300).contains(&event.status) {
            // SAFETY: good until the next call.
            let answer = unsafe { std::slice::from_raw_parts(event.body, event.body_len) };
            let (path, asked) = &self.drivers.asked;
            schema::exchange_holds(path, Some(asked), event.status, answer);
        }
        self.now += 1000;
        let code = self.poll_with(&raw const event);
        self.keeps();
        code
    }

    /// The boot records in flash are what the contract says.
    fn keeps(&self) {
        for sector in LAYOUT.record {
            for place in self.sector(sector).chunks(2048).filter(|place| place.starts_with(b"PBR1")) {
                let len = usize::from(u16::from_le_bytes([place[4], place[5]]));
                schema::holds_each_shape("boot-record", &place[12..12 + len]);
            }
        }
    }

    fn heard(&self) -> PintleVirtualHeard {
        let mut heard = PintleVirtualHeard::default();
        // SAFETY: both are good.
        unsafe { pintle_virtual_heard(self.drivers.hardware, &raw mut heard) };
        heard
    }

    fn sector(&self, address: u32) -> [u8; 4096] {
        let mut bytes = [0; 4096];
        // SAFETY: there is room.
        unsafe { pintle_virtual_flash_read(self.drivers.hardware, address, bytes.as_mut_ptr(), 4096) };
        bytes
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.drivers.meddles_with = null_mut();
        // SAFETY: live, ended or null.
        unsafe { pintle_node_end(self.node) };
        // SAFETY: made by pintle_virtual_new and not used any more.
        unsafe { pintle_virtual_free(self.drivers.hardware) };
    }
}

const EVENT: PintleEvent = PintleEvent {
    kind: 0,
    join_fault: 0,
    rssi_dbm: 0,
    status: 0,
    body: null(),
    body_len: 0,
    base: null(),
    base_len: 0,
    key: [0; 32],
};

#[test]
fn the_stated_size_is_enough_and_not_far_too_much() {
    assert!(pintle_node_size() <= PINTLE_NODE_SIZE, "{}", pintle_node_size());
    assert!(pintle_node_align() <= PINTLE_NODE_ALIGN);
    let exact = pintle_node_size();
    let mut bench = Bench::new();
    assert_eq!(bench.init_at(0, exact - 1), (PintleCode::Memory, 0));
    assert_eq!(bench.init_at(0, exact), (PintleCode::Ok, 0));
    // Nothing behind it was touched.
    assert!(bench.memory.0[exact..].iter().all(|b| *b == 0xa5));
}

#[test]
fn null_and_crooked_pointers_are_refused() {
    let mut bench = Bench::new();
    assert_eq!(bench.init_at(1, PINTLE_NODE_SIZE - 16), (PintleCode::Align, 0));
    let (table, memory) = (&raw const bench.table, bench.memory.0.as_mut_ptr().cast::<c_void>());
    let mut node = null_mut();
    // SAFETY: null is what is tried.
    unsafe {
        let out = &raw mut node;
        assert_eq!(pintle_node_init(null_mut(), 99_999, table, out, null_mut()), PintleCode::Null);
        assert_eq!(pintle_node_init(memory, 99_999, null(), out, null_mut()), PintleCode::Null);
        assert_eq!(pintle_node_init(memory, 99_999, table, null_mut(), null_mut()), PintleCode::Null);
        assert_eq!(pintle_node_poll(null_mut(), 0, null()), PintleCode::Null);
        assert_eq!(pintle_node_end(null_mut()), PintleCode::Null);
        assert_eq!(pintle_node_status(null_mut(), null_mut()), PintleCode::Null);
        assert_eq!(pintle_boot_slot(null(), null_mut()), PintleCode::Null);
        assert_eq!(pintle_boot_count(null(), null_mut()), PintleCode::Null);
    }
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    // SAFETY: as above.
    assert_eq!(unsafe { pintle_node_status(bench.node, null_mut()) }, PintleCode::Null);
}

#[test]
fn a_table_that_is_not_whole_is_refused_by_its_place() {
    let mut bench = Bench::new();
    bench.table.size -= 1;
    assert_eq!(bench.init(), (PintleCode::Version, size_of::<PintleBoard>() as u32));
    bench.table.size += 1;
    let takes: [fn(&mut PintleBoard); 10] = [
        |t| t.flash_read = None,
        |t| t.flash_program = None,
        |t| t.flash_erase = None,
        |t| t.random = None,
        |t| t.exchange = None,
        |t| t.pressed = None,
        |t| t.card = None,
        |t| t.join = None,
        |t| t.request = None,
        |t| t.restart = None,
    ];
    let whole = bench.table;
    for (n, take) in takes.iter().enumerate() {
        take(&mut bench.table);
        assert_eq!(bench.init(), (PintleCode::Callback, n as u32));
        bench.table = whole;
    }
    bench.table.layout.card += 8;
    assert_eq!(bench.init(), (PintleCode::Layout, LAYOUT.card + 8));
    bench.table = whole;
    bench.table.net_slot = 2;
    assert_eq!(bench.init(), (PintleCode::Range, 2));
    bench.table = whole;
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
}

#[test]
fn a_board_without_a_usable_card_does_not_start() {
    let mut bench = Bench::new();
    bench.table.card = Some(no_card);
    assert_eq!(bench.init(), (PintleCode::NoCard, 0));
    bench.table.card = Some(long_card);
    assert_eq!(bench.init(), (PintleCode::BadCard, PINTLE_CARD_MAX as u32));
    bench.table.card = Some(card);
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
}

#[test]
fn without_chance_no_key_is_made_and_nothing_is_sent() {
    for chance in [Chance::Fails, Chance::AllTheSame] {
        let mut bench = Bench::new();
        bench.drivers.chance = chance;
        assert_eq!(bench.init(), (PintleCode::Random, 0));
        assert!(bench.sector(LAYOUT.secrets).iter().all(|b| *b == 0xff), "keys were written");
        assert!(bench.sector(LAYOUT.record[0]).iter().all(|b| *b == 0xff), "a record was written");
        // Once the generator runs, the node starts.
        bench.drivers.chance = Chance::Good;
        assert_eq!(bench.init(), (PintleCode::Ok, 0));
        // And when it fails later, the node stops before it sends anything.
        while bench.drivers.requests == 0 {
            assert_eq!(bench.second(), PintleCode::Ok);
        }
        bench.drivers.chance = chance;
        for _ in 0..300 {
            assert_eq!(bench.second(), PintleCode::Random);
        }
        assert_eq!(bench.drivers.requests, 1);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// Any events with bodies and addresses of any bytes and lengths: each is taken or refused as a whole,
    /// and the node goes on.
    #[test]
    fn any_events_leave_a_node_that_goes_on(
        events in proptest::collection::vec(
            (0..9u8, 0..5u8, any::<i8>(), 80..620u16, proptest::collection::vec(any::<u8>(), 0..5000), 0..9u8),
            1..40,
        ),
        own_key in any::<bool>(),
    ) {
        let mut bench = Bench::new();
        prop_assert_eq!(bench.init(), (PintleCode::Ok, 0));
        for (n, (kind, join_fault, rssi_dbm, status, bytes, what)) in events.iter().enumerate() {
            for _ in 0..n % 4 {
                prop_assert_eq!(bench.second(), PintleCode::Ok);
            }
            let text = bytes.iter().map(|byte| byte % 128).collect::<Vec<_>>();
            let event = PintleEvent {
                kind: *kind,
                join_fault: *join_fault,
                rssi_dbm: *rssi_dbm,
                status: *status,
                body: if *what == 0 { null() } else { bytes.as_ptr() },
                body_len: if *what == 1 { usize::MAX } else { bytes.len() },
                base: if what % 2 == 0 { text.as_ptr().cast() } else { bytes.as_ptr().cast() },
                base_len: if *what == 2 { usize::MAX } else { bytes.len().min(usize::from(*what) * 16) },
                key: [if own_key { 1 } else { *what }; 32],
            };
            bench.now += 1000;
            let code = bench.poll_with(&raw const event);
            let whole = matches!(code, PintleCode::Ok | PintleCode::Range | PintleCode::Length | PintleCode::Null);
            prop_assert!(whole, "{:?} for kind {}", code, kind);
        }
        // A radio that said it had joined and had not is found out after ten minutes.
        let before = bench.heard().counter;
        let goes_on = (0..1500).any(|_| bench.second() != PintleCode::Ok || bench.heard().counter > before);
        let heard = bench.heard();
        prop_assert!(goes_on && heard.checked_in == 1 && heard.counter > before, "it no longer checks in");
        prop_assert_eq!(heard.relay_pulses, 0);
    }
}

#[test]
fn bad_events_and_a_clock_that_runs_backwards_change_nothing() {
    let mut bench = Bench::new();
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    bench.now = 5000;
    assert_eq!(bench.poll_with(null()), PintleCode::Ok);
    bench.now = 4999;
    assert_eq!(bench.poll_with(null()), PintleCode::Clock);
    bench.now = 6000;
    let body = [1u8, 2];
    let cases = [
        (PintleEvent { kind: 6, base_len: 1, ..EVENT }, PintleCode::Null),
        (PintleEvent { kind: 6, base: b"\xff".as_ptr().cast(), base_len: 1, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 7, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 255, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 2, join_fault: 3, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 4, status: 99, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 4, status: 600, ..EVENT }, PintleCode::Range),
        (PintleEvent { kind: 4, status: 200, body_len: 2, ..EVENT }, PintleCode::Null),
        (
            PintleEvent { kind: 4, status: 200, body: body.as_ptr(), body_len: usize::MAX, ..EVENT },
            PintleCode::Length,
        ),
    ];
    for (event, code) in cases {
        assert_eq!(bench.poll_with(&raw const event), code);
    }
    // The node goes on as if nothing had been: it joins, claims and checks in.
    for _ in 0..200 {
        assert_eq!(bench.second(), PintleCode::Ok);
    }
    let heard = bench.heard();
    assert_eq!((heard.claimed, heard.checked_in), (1, 1));
}

#[test]
fn a_callback_cannot_call_into_its_own_node() {
    let mut bench = Bench::new();
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    bench.drivers.meddles_with = bench.node;
    assert_eq!(bench.second(), PintleCode::Ok);
    assert_eq!(bench.drivers.meddling, [PintleCode::Busy; 3]);
    bench.drivers.meddles_with = null_mut();
    assert_eq!(bench.second(), PintleCode::Ok);
}

#[test]
fn an_ended_node_is_wiped_and_answers_no_more() {
    let mut bench = Bench::new();
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    let exact = pintle_node_size();
    assert!(bench.memory.0[..exact].windows(9).any(|w| w == b"larkfield"));
    // SAFETY: it is live.
    assert_eq!(unsafe { pintle_node_end(bench.node) }, PintleCode::Ok);
    assert!(bench.memory.0[..exact].iter().all(|b| *b == 0));
    assert_eq!(bench.poll_with(null()), PintleCode::Ended);
    // SAFETY: the memory is still there.
    assert_eq!(unsafe { pintle_node_end(bench.node) }, PintleCode::Ended);
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    assert_eq!(bench.poll_with(null()), PintleCode::Ok);
}

#[test]
fn a_server_that_moved_is_found_again_by_a_board_that_searches() {
    for searches in [true, false] {
        let mut bench = Bench::new();
        bench.table.search = searches.then_some(search);
        assert_eq!(bench.init(), (PintleCode::Ok, 0));
        while bench.heard().checked_in == 0 {
            assert_eq!(bench.second(), PintleCode::Ok);
            assert!(bench.now < 120_000);
        }
        let base = c"https://pintle-0d0f.local:7443";
        // SAFETY: both are good.
        let moved = unsafe { pintle_virtual_move_server(bench.drivers.hardware, base.as_ptr()) };
        assert_eq!(moved, PintleCode::Ok);
        let before = bench.heard().counter;
        for _ in 0..300 {
            assert_eq!(bench.second(), PintleCode::Ok);
        }
        assert_eq!(bench.heard().counter > before, searches);
    }
}

#[test]
fn an_image_that_the_record_does_not_name_is_not_run_on() {
    let mut bench = Bench::new();
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    // SAFETY: it is live.
    unsafe { pintle_node_end(bench.node) };
    bench.table.net_slot = 1;
    assert_eq!(bench.init(), (PintleCode::Restart, 0));
    assert_eq!(bench.drivers.restarts, 1);
    bench.table.net_slot = 255;
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
}

#[test]
fn a_trial_that_used_up_its_starts_goes_back_through_the_boot_loader() {
    let mut bench = Bench::new();
    let boot = |bench: &mut Bench| {
        let mut slot = PintleBootSlot::default();
        // SAFETY: both are good.
        let code = unsafe { pintle_boot_slot(&raw const bench.table, &raw mut slot) };
        bench.table.net_slot = slot.slot;
        bench.now = 0;
        (code, slot)
    };
    assert_eq!(boot(&mut bench).0, PintleCode::NoRecord);
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    let mut offers = [PintleVirtualOffer::Bundle, PintleVirtualOffer::NetImage].into_iter();
    let (mut trial, mut starts, mut offered) = (false, 0, false);
    for _ in 0..6000 {
        let heard = bench.heard();
        if trial && heard.ending != 0 {
            break;
        }
        if heard.checked_in == 1 && (!offered || heard.ending == 1) && offers.len() > 0 {
            let what = offers.next().unwrap();
            // SAFETY: the board is good.
            assert_eq!(unsafe { pintle_virtual_offer(bench.drivers.hardware, what as u8) }, PintleCode::Ok);
            offered = true;
        }
        let code = bench.second();
        if code == PintleCode::Ok {
            continue;
        }
        assert_eq!(code, PintleCode::Restart);
        // The new image resets right after each start.
        loop {
            // SAFETY: live or null.
            unsafe { pintle_node_end(bench.node) };
            // SAFETY: the board is good.
            unsafe { pintle_virtual_reset(bench.drivers.hardware) };
            let (code, slot) = boot(&mut bench);
            assert_eq!(code, PintleCode::Ok);
            let (code, _) = bench.init();
            if slot.on_trial == 0 {
                assert_eq!((slot.slot, code), (0, PintleCode::Ok));
                break;
            }
            assert_eq!((slot.slot, slot.version), (1, [1, 1, 0]));
            (trial, starts) = (true, starts + 1);
            if code == PintleCode::Restart {
                // It noticed that the record now names the other slot, and did not run on.
                continue;
            }
            assert_eq!(code, PintleCode::Ok);
        }
    }
    let heard = bench.heard();
    assert_eq!(
        (trial, heard.ending, heard.reason),
        (true, 2, pintle_protocol::reason::Reason::Resets.code())
    );
    assert_eq!((starts, heard.versions[0]), (4, [1, 0, 0]));
}

/// Asks a boot loader that counts, `times` over; the slots that it would start.
fn counted(bench: &mut Bench, times: usize) -> Vec<u8> {
    (0..times)
        .map(|_| {
            let mut slot = PintleBootSlot::default();
            // SAFETY: both are good.
            let code = unsafe { pintle_boot_count(&raw const bench.table, &raw mut slot) };
            assert_eq!(code, PintleCode::Ok);
            slot.slot
        })
        .collect()
}

#[test]
fn an_image_that_dies_before_its_node_starts_is_left_by_a_loader_that_counts() {
    let mut bench = Bench::new();
    let mut slot = PintleBootSlot::default();
    // SAFETY: both are good.
    let code = unsafe { pintle_boot_count(&raw const bench.table, &raw mut slot) };
    assert_eq!(code, PintleCode::Range, "the table does not say that it counts");
    bench.table.loader_counts = 1;
    // SAFETY: both are good.
    let code = unsafe { pintle_boot_count(&raw const bench.table, &raw mut slot) };
    assert_eq!(code, PintleCode::NoRecord);
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    for what in [PintleVirtualOffer::Bundle, PintleVirtualOffer::NetImage] {
        while bench.heard().checked_in == 0 {
            assert_eq!(bench.second(), PintleCode::Ok);
        }
        // SAFETY: the board is good.
        assert_eq!(unsafe { pintle_virtual_offer(bench.drivers.hardware, what as u8) }, PintleCode::Ok);
        let net = matches!(what, PintleVirtualOffer::NetImage);
        for second in 0.. {
            assert!(second < 4000, "no end");
            let code = bench.second();
            if net && code == PintleCode::Restart {
                break;
            }
            assert_eq!(code, PintleCode::Ok);
            if !net && bench.heard().ending == 1 {
                break;
            }
        }
    }
    // SAFETY: it is live.
    unsafe { pintle_node_end(bench.node) };
    // Nothing is counted where nothing is on trial; here something is, and it dies each time.
    assert_eq!(counted(&mut bench, 5), [1, 1, 1, 0, 0]);
    bench.table.net_slot = 0;
    bench.now = 0;
    // SAFETY: the board is good.
    unsafe { pintle_virtual_reset(bench.drivers.hardware) };
    assert_eq!(bench.init(), (PintleCode::Ok, 0));
    while bench.heard().ending != 2 {
        assert_eq!(bench.second(), PintleCode::Ok);
        assert!(bench.now < 600_000);
    }
}
