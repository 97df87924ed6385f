//! What an envelope needs and a SUIT capability report does not list.

use super::{TellError, printable};
use pintle_protocol::suit::read_capabilities;
use serde::Serialize;

/// What is missing, by the names of the standard. Empty lists: nothing is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Lacks {
    /// Parts of the node.
    pub components: Vec<String>,
    /// Commands.
    pub commands: Vec<String>,
    /// Parameters.
    pub parameters: Vec<String>,
    /// Algorithms of the profile, by their COSE numbers.
    pub algorithms: Vec<i64>,
}

impl Lacks {
    /// Whether nothing is missing.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// Holds an envelope against a capability report. Neither is authenticated here.
///
/// # Errors
/// [`TellError`] if one of them is not what it should be.
pub fn lacks(envelope: &[u8], report: &[u8]) -> Result<Lacks, TellError> {
    let has = read_capabilities(report)?;
    let missing = has.missing(envelope)?;
    Ok(Lacks {
        components: missing.components.iter().map(|c| printable(&String::from_utf8_lossy(c))).collect(),
        commands: missing.commands.iter().map(|c| c.word().to_owned()).collect(),
        parameters: missing.parameters.iter().map(|p| p.word().to_owned()).collect(),
        algorithms: has.missing_algorithms().collect(),
    })
}
