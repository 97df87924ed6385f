//! Gives the linker the memory map of the io chip.

fn main() {
    println!("cargo:rerun-if-changed=io.ld");
    println!("cargo:rustc-link-arg-bins=-Tio/io.ld");
}
