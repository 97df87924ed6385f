//! A whole update: offer, envelope, image, trial, kept. Power may go in the middle of it.

use crate::board::{Chip, Pending};
use crate::host::{Hex, done, read_file, stop};
use crate::memory::{Area, FLASH, Nor};
use crate::say;
use crate::server::Server;
use pintle_protocol::agent::ENVELOPE_MAX;
use pintle_protocol::agent::Node;
use pintle_protocol::board::Event;

/// The flash.
pub(crate) static FLASH_BYTES: Area<[u8; FLASH]> = Area::new([0; FLASH]);
/// The image that the server has.
pub(crate) static IMAGE: Area<[u8; 0x4_0000]> = Area::new([0; 0x4_0000]);
static ENVELOPE: Area<[u8; ENVELOPE_MAX]> = Area::new([0; ENVELOPE_MAX]);
/// Seconds of the node's time within which an update must end.
const PATIENCE: u64 = 4_000;

/// Runs the node on the flash in `flash.bin` until the envelope in `envelope.bin` has ended. Power goes in the middle
/// of flash operation `cut`, if it is not 0. What node and server say to each other is told to the host.
pub(crate) fn run(cut: u32) -> ! {
    let envelope = ENVELOPE.take();
    let len = read_file("envelope.bin", envelope);
    let image = IMAGE.take();
    let size = read_file("image.bin", image);
    let Some(mut server) = Server::new(&envelope[..len], &image[..size], 60) else { stop("no envelope") };
    let mut nor = Nor::new(FLASH_BYTES.take(), "flash.bin", true, cut);
    let mut reply = [0; 512];
    let mut seconds = 0;
    loop {
        let Some(chip) = Chip::new(nor) else { stop("there is no valid boot record") };
        let mut node = match Node::start(chip) {
            Ok(node) => node,
            Err((fault, _)) => {
                say!("stopped: {fault:?}");
                stop("the node does not start")
            }
        };
        let record = node.agent().record();
        say!("started {} on slot {:?}", record.starts, record.net.active);
        let mut now = 0;
        while !node.board.restarts {
            (now, seconds) = (now + 1000, seconds + 1);
            let asked = matches!(node.board.pending, Pending::CheckIn);
            if asked {
                say!("sent {}", Hex(&node.board.sent));
            }
            let event = server.serve(&mut node.board, &mut reply);
            if let (true, Event::Response { status: 200, body }) = (asked, &event) {
                say!("answered {}", Hex(body));
            }
            if let Err(fault) = node.poll(now, event) {
                say!("stopped: {fault:?}");
                stop("the node has to be started again")
            }
            if let Some(end) = server.ended() {
                let operations = node.board.nor.operations();
                say!("ended {:?} {} after {operations} operations", end.ending, end.reason);
                done()
            }
            if seconds > PATIENCE {
                stop("the update does not end")
            }
        }
        nor = node.board.nor;
    }
}
