//! Gives the linker the memory map of the emulated machine.

fn main() {
    println!("cargo:rerun-if-changed=riscv.ld");
    println!("cargo:rerun-if-changed=arm.ld");
    let folder = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    let arch = std::env::var("CARGO_CFG_TARGET_ARCH").unwrap_or_default();
    let map = if arch == "arm" { "arm" } else { "riscv" };
    println!("cargo:rustc-link-arg-bins=-T{folder}/{map}.ld");
}
