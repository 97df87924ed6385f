//! A node's own file in the yard.

use super::NodeError;
use crate::yard::files::{self, Readers};
use crate::yard::names::{self, What};
use crate::yard::strict;
use crate::yard::tables::NodeFile;
use crate::yard::{NodeKeys, Yard};
use std::path::PathBuf;

/// A node to add.
#[derive(Clone, Copy, Debug)]
pub struct NewNode<'a> {
    /// Its name in the yard.
    pub name: &'a str,
    /// Its board, by the name of the board's file.
    pub board: &'a str,
    /// What people call it.
    pub label: &'a str,
}

/// Writes a commented `nodes/NAME.toml` to fill in.
///
/// # Errors
/// [`NodeError`] if the name cannot be used or is taken, or there is no such board.
pub fn add(yard: &Yard, new: NewNode<'_>) -> Result<PathBuf, NodeError> {
    names::check(What::Node, new.name)?;
    if yard.nodes.contains_key(new.name) {
        return Err(NodeError::Exists(new.name.to_owned()));
    }
    if !yard.boards.contains_key(new.board) {
        let nearest = names::nearest(new.board, yard.boards.keys().map(String::as_str)).map(str::to_owned);
        return Err(NodeError::NoBoard { board: new.board.to_owned(), nearest });
    }
    let quoted = |s: &str| toml::Value::from(s).to_string();
    let text = TEMPLATE.replace("@board@", &quoted(new.board)).replace("@label@", &quoted(new.label));
    let path = yard.path(format!("nodes/{}.toml", new.name));
    // Whatever stands in a label: what is written reads back.
    strict::parse::<NodeFile>(&path, &text)
        .map_err(|fault| NodeError::NotWritable { node: new.name.to_owned(), fault })?;
    files::write_new(&path, text.as_bytes(), Readers::Usual)?;
    Ok(path)
}

/// Writes a node's public keys into its file. Everything else in it stays as it was.
///
/// Returns whether the file was changed: keys that stand there already are left alone.
///
/// # Errors
/// [`NodeError::OtherKeys`] if other keys stand there.
pub fn write_keys(yard: &Yard, node: &str, keys: NodeKeys) -> Result<bool, NodeError> {
    let file = yard.node(node)?;
    let (signing, sealing) = (keys.signing.to_string(), keys.sealing.to_string());
    if let Some(there) = &file.keys {
        let same = |a: &str, b: &str| a.eq_ignore_ascii_case(b);
        if same(&there.signing, &signing) && same(&there.sealing, &sealing) {
            return Ok(false);
        }
        return Err(NodeError::OtherKeys(node.to_owned()));
    }
    let path = yard.path(format!("nodes/{node}.toml"));
    let mut text = files::read_text(&path)?;
    if !text.ends_with('\n') {
        text.push('\n');
    }
    text += &format!(
        "\n# The node's own public keys, checked against the code on its starter card.\n\
         [keys]\nsigning = \"{signing}\"\nsealing = \"{sealing}\"\n"
    );
    strict::parse::<NodeFile>(&path, &text)
        .map_err(|fault| NodeError::NotWritable { node: node.to_owned(), fault })?;
    files::replace(&path, text.as_bytes(), Readers::Usual)?;
    Ok(true)
}

const TEMPLATE: &str = include_str!("node.toml");
