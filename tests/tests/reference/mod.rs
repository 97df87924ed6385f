//! Reading the files in `tests/vectors`: one vector per line, columns apart by a space, `-` for an
//! empty string, lines that begin with `#` say where the vectors came from.

/// The rows of a file, each as its columns.
pub(crate) fn rows(file: &str) -> Vec<Vec<&str>> {
    file.lines().filter(|line| !line.starts_with('#')).map(|line| line.split(' ').collect()).collect()
}

/// A column as bytes.
pub(crate) fn bytes(column: &str) -> Vec<u8> {
    if column == "-" { Vec::new() } else { hex::decode(column).expect(column) }
}

/// A column as bytes of a known length.
#[allow(dead_code)]
pub(crate) fn array<const N: usize>(column: &str) -> [u8; N] {
    bytes(column).try_into().expect(column)
}

/// The second column of the row that begins with `name`, as bytes.
#[allow(dead_code)]
pub(crate) fn named(file: &str, name: &str) -> Vec<u8> {
    let rows = rows(file);
    bytes(rows.iter().find(|row| row[0] == name).expect(name)[1])
}
