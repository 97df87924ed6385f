//! The manual of `pintle`, as the program writes it.

mod bin_common;
#[path = "../../server/tests/whole_manual/mod.rs"]
mod whole_manual;

use bin_common::Place;
use whole_manual::Manual;

fn manual() -> Manual {
    Manual::written(env!("CARGO_BIN_EXE_pintle"), "pintle", '1')
}

#[test]
fn pages_name_every_command_and_option() {
    manual().names_everything();
}

#[test]
fn nothing_of_this_machine_gets_into_them() {
    manual().tells_nothing_of_this_machine();
}

#[test]
fn shells_complete_commands_and_options() {
    let manual = manual();
    manual.completes(&["rol"], &["rollout"]);
    manual.completes(&["rollout", "tu"], &["turn-back"]);
    manual.completes(&["rollout", "start", "--on-failure", ""], &["hold", "turn-back"]);
    manual.other_shells_know_every_command();
}

#[test]
fn a_folder_that_cannot_be_is_named() {
    let place = Place::empty();
    place.write("taken", "");
    place.run(&["manual", "--to", "taken"]).ends(7).says(&["taken/man/man1 cannot be written: "]);
    let written = place.run(&["--json", "manual", "--to", "share"]).ends(0);
    assert_eq!(written.json()["folder"], "share");
}
