//! The manual of `pintle-server`, as the program writes it.

mod whole_manual;

use whole_manual::Manual;

fn manual() -> Manual {
    Manual::written(env!("CARGO_BIN_EXE_pintle-server"), "pintle-server", '8')
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
    manual.completes(&["back"], &["backup"]);
    manual.completes(&["token", "add", "--r"], &["--role"]);
    manual.completes(&["token", "add", "--role", ""], &["operator", "viewer"]);
    manual.other_shells_know_every_command();
}
