//! Recorded readings, as CSV with one line of column names.

use std::path::{Path, PathBuf};
use thiserror::Error;

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading<T> {
    /// What was the case, as the person who recorded it says.
    pub at: T,
    /// Temperature of the air, in degrees Celsius.
    pub temperature_c: f64,
    /// What was read.
    pub value: f64,
}

/// A readings file that is not what it should be.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum BadReadings {
    /// A column that is not there.
    #[error("{}: there is no column `{column}`; expected are {}", path.display(), expected.join(", "))]
    NoColumn {
        /// The file.
        path: PathBuf,
        /// The column.
        column: &'static str,
        /// All that are expected.
        expected: Vec<&'static str>,
    },
    /// A column that is not known.
    #[error("{}: there is a column `{column}` that is not known; expected are {}", path.display(), expected.join(", "))]
    Column {
        /// The file.
        path: PathBuf,
        /// The column.
        column: String,
        /// All that are expected.
        expected: Vec<&'static str>,
    },
    /// A value that cannot be read.
    #[error("{}, line {line}, column `{column}`: `{found}` is not {expected}", path.display())]
    Value {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: u64,
        /// The column.
        column: &'static str,
        /// What stands there.
        found: String,
        /// What is expected.
        expected: String,
    },
    /// A line that is no CSV.
    #[error("{}, line {line}: {what}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: u64,
        /// What is wrong.
        what: String,
    },
}

/// Rows of numbers and words, with their place for error texts.
pub struct Table<'a> {
    path: &'a Path,
    columns: Vec<&'static str>,
    places: Vec<usize>,
    rows: Vec<(u64, csv::StringRecord)>,
}

impl<'a> Table<'a> {
    /// Reads `text`, the content of `path`, which must have exactly `columns`, in any order.
    ///
    /// # Errors
    /// [`BadReadings`], naming line and column.
    pub fn read(path: &'a Path, text: &str, columns: &[&'static str]) -> Result<Self, BadReadings> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reader =
            csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text.as_bytes());
        let broken = |e: &csv::Error| BadReadings::Line {
            path: path.to_owned(),
            line: e.position().map_or(1, csv::Position::line),
            what: match e.kind() {
                csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                    format!("it has {len} fields, the first line has {expected_len}")
                }
                _ => "it is no comma-separated text".to_owned(),
            },
        };
        let head = reader.headers().map_err(|e| broken(&e))?.clone();
        if let Some(other) = head.iter().find(|h| !columns.contains(h)) {
            let (column, expected) = (other.to_owned(), columns.to_vec());
            return Err(BadReadings::Column { path: path.to_owned(), column, expected });
        }
        let place = |column: &&'static str| {
            head.iter().position(|h| h == *column).ok_or_else(|| BadReadings::NoColumn {
                path: path.to_owned(),
                column,
                expected: columns.to_vec(),
            })
        };
        let places = columns.iter().map(place).collect::<Result<_, _>>()?;
        let mut rows = Vec::new();
        for row in reader.records() {
            let row = row.map_err(|e| broken(&e))?;
            rows.push((row.position().map_or(0, csv::Position::line), row));
        }
        Ok(Self { path, columns: columns.to_vec(), places, rows })
    }

    /// Rows.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// A word of row `row`, column `column`, both counted from 0, read by `read`.
    ///
    /// # Errors
    /// [`BadReadings::Value`].
    pub fn word<T>(
        &self,
        row: usize,
        column: usize,
        expected: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Result<T, BadReadings> {
        let (line, record) = &self.rows[row];
        let found = record.get(self.places[column]).unwrap_or_default();
        read(found).ok_or_else(|| BadReadings::Value {
            path: self.path.to_owned(),
            line: *line,
            column: self.columns[column],
            found: found.to_owned(),
            expected: expected.to_owned(),
        })
    }

    /// A number within `range`.
    ///
    /// # Errors
    /// [`BadReadings::Value`].
    pub fn number(
        &self,
        row: usize,
        column: usize,
        range: std::ops::RangeInclusive<f64>,
    ) -> Result<f64, BadReadings> {
        let expected = format!("a number from {} to {}", range.start(), range.end());
        self.word(row, column, &expected, |t| t.parse().ok().filter(|v| range.contains(v)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<(String, f64)>, BadReadings> {
        let table = Table::read(Path::new("r.csv"), text, &["position", "echo_us"])?;
        (0..table.len())
            .map(|n| {
                let word = table.word(n, 0, "open or closed", |w| (w != "ajar").then(|| w.to_owned()))?;
                Ok((word, table.number(n, 1, 1.0..=1e5)?))
            })
            .collect()
    }

    #[test]
    fn columns_come_in_any_order() {
        let text = "echo_us, position\n# recorded at noon\n1800, open\n14000.5, closed\n";
        assert_eq!(read(text).unwrap(), [("open".into(), 1800.0), ("closed".into(), 14000.5)]);
    }

    #[test]
    fn faults_name_line_and_column() {
        let value = |line, column, found: &str, expected: &str| BadReadings::Value {
            path: "r.csv".into(),
            line,
            column,
            found: found.into(),
            expected: expected.into(),
        };
        assert_eq!(
            read("position,echo_us\nopen,1800\nclosed,far\n").unwrap_err(),
            value(3, "echo_us", "far", "a number from 1 to 100000")
        );
        assert_eq!(
            read("position,echo_us\najar,1800\n").unwrap_err(),
            value(2, "position", "ajar", "open or closed")
        );
        assert!(matches!(read("position\nopen\n"), Err(BadReadings::NoColumn { column: "echo_us", .. })));
        assert!(matches!(read("position,echo\nopen,1\n"), Err(BadReadings::Column { .. })));
        assert!(matches!(read("position,echo_us\nopen\n"), Err(BadReadings::Line { line: 2, .. })));
        assert!(matches!(read(""), Err(BadReadings::NoColumn { .. })));
        assert!(read("position,echo_us\nopen,NaN\n").is_err());
    }
}
