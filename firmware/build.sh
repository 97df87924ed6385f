#!/usr/bin/env bash
# Builds the sample images: every row of board/src/variant.rs for both chips, into images/.
#
#   firmware/build.sh           builds and writes images/ and images/RECIPE.md
#   firmware/build.sh --check   builds and compares with images/; changes nothing; exit code 1 if anything differs
#
# Needs rustc 1.95.0. Installs what else is missing: the two bare-metal targets (rustup) and objcopy for Arm
# (Debian's binutils-arm-none-eabi, which writes the Intel HEX files).
set -euo pipefail
cd "$(dirname "$0")"

RUSTC_WANTED="rustc 1.95.0"
NET_TARGET=riscv32imc-unknown-none-elf
IO_TARGET=thumbv6m-none-eabi
# The table of images is in the sources; its first column names the files.
mapfile -t VARIANTS < <(sed -n 's/^    row("\([^"]*\)".*/\1/p' board/src/variant.rs)

die() { echo "build.sh: $*" >&2; exit 1; }

case "${1:-}" in
    "") check=no ;;
    --check) check=yes ;;
    *) die "unknown argument $1; there is only --check" ;;
esac

[ "${#VARIANTS[@]}" -gt 0 ] || die "no rows were found in board/src/variant.rs"
case "$(rustc --version)" in
    "$RUSTC_WANTED "*) ;;
    *) die "the images are built with $RUSTC_WANTED, but this is $(rustc --version); other compilers give other bytes" ;;
esac
for target in "$NET_TARGET" "$IO_TARGET"; do
    [ -d "$(rustc --print sysroot)/lib/rustlib/$target" ] || rustup target add "$target" >&2
done
if ! command -v arm-none-eabi-objcopy >/dev/null; then
    [ "$(id -u)" = 0 ] || die "arm-none-eabi-objcopy is missing; install Debian's binutils-arm-none-eabi"
    { apt-get update -qq && apt-get install -y -qq binutils-arm-none-eabi; } >&2
fi

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
mkdir "$scratch/images"

# Nothing of the caller's set-up may change the bytes.
unset CARGO_INCREMENTAL CARGO_ENCODED_RUSTFLAGS CARGO_BUILD_RUSTFLAGS RUSTC_WRAPPER CARGO_PROFILE_RELEASE_DEBUG
export CARGO_TARGET_DIR="$scratch/target"
export RUSTFLAGS="--remap-path-prefix=$PWD=/firmware"

# build CHIP TARGET VARIANT: leaves the program at $built.
build() {
    LATCHBOARD_VARIANT=$3 cargo build --quiet --locked --release -p "latchboard-$1" --target "$2"
    built="$CARGO_TARGET_DIR/$2/release/latchboard-$1"
    if grep -aqF "$PWD" "$built"; then die "the $1 image $3 holds the path of this folder"; fi
}

for variant in "${VARIANTS[@]}"; do
    build net "$NET_TARGET" "$variant"
    install -m 644 "$built" "$scratch/images/net-$variant.elf"
    # Whether a node checks in is the net chip's doing alone.
    [ "$variant" = 1.2.0-no-check-in ] && continue
    build io "$IO_TARGET" "$variant"
    arm-none-eabi-objcopy -O ihex "$built" "$scratch/images/io-$variant.hex"
    # GNU tools end lines with CR LF; LF alone survives version control unchanged.
    sed -i 's/\r$//' "$scratch/images/io-$variant.hex"
done

recipe() {
    cat <<EOF
# How these images were made

By \`firmware/build.sh\`, from the sources beside it. The same bytes come out each time;
\`firmware/build.sh --check\` builds again and compares.

| tool | version |
| --- | --- |
| rustc | $(rustc --version | cut -d' ' -f2) |
| objcopy | $(arm-none-eabi-objcopy --version | head -n 1 | sed 's/^GNU objcopy //') |

Per variant and chip:

    LATCHBOARD_VARIANT=<variant> cargo build --locked --release -p latchboard-<chip> --target <target>
    arm-none-eabi-objcopy -O ihex latchboard-io io-<variant>.hex

with \`$NET_TARGET\` for net, \`$IO_TARGET\` for io. SHA-256 of each file:

EOF
    (cd "$scratch/images" && sha256sum -- *.elf *.hex | sed 's/^/    /')
}

if [ "$check" = no ]; then
    mkdir -p images
    rm -f images/*.elf images/*.hex
    cp "$scratch"/images/* images/
    recipe > images/RECIPE.md
    echo "wrote $(ls "$scratch/images" | wc -l) images, $(cat "$scratch"/images/* | wc -c) bytes"
    exit 0
fi

wrong=0
for file in $( (ls "$scratch/images"; cd images && ls -- *.elf *.hex) | sort -u); do
    sum=$(sha256sum "images/$file" 2>/dev/null | cut -d' ' -f1 || true)
    if ! cmp -s "images/$file" "$scratch/images/$file"; then
        echo "differs: images/$file is not what the sources build"
        wrong=1
    elif ! grep -qxF "    $sum  $file" images/RECIPE.md; then
        echo "differs: images/RECIPE.md does not have the digest of $file"
        wrong=1
    else
        echo "same: images/$file"
    fi
done
exit "$wrong"
