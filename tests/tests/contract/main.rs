//! The contract of the wire: `docs/pintle.cddl`, the vectors in `docs/vectors`, and a second
//! implementation written from `docs/wire.md` alone.

mod node;
mod prose;
mod python;
mod refused;
mod samples;
#[path = "../server_common/mod.rs"]
mod server_common;
mod shapes;
mod transfers;
mod vectors;

use server_common::schema;
