//! Gives the linker a memory map with room enough for any result.

fn main() {
    println!("cargo:rerun-if-changed=size.ld");
    let folder = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    println!("cargo:rustc-link-arg-bins=-T{folder}/size.ld");
}
