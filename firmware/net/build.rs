//! Gives the linker the memory map of the net chip.

fn main() {
    println!("cargo:rerun-if-changed=net.ld");
    println!("cargo:rustc-link-arg-bins=-Tnet/net.ld");
}
