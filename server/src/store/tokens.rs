//! Tokens of the operator's API: names and roles, secrets as SHA-256 only.

use super::StoreFault;
use super::values::{id, word, word_of};
use crate::contract::Seconds;
use pintle_protocol::id::Digest;
use rusqlite::{Connection, OptionalExtension, Row, named_params};
use subtle::{ConditionallySelectable, ConstantTimeEq};

/// What a token is good for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TokenRole {
    /// Looks and changes.
    Operator,
    /// Looks at everything, changes nothing.
    Viewer,
}

impl TokenRole {
    /// Every role.
    pub const ALL: [Self; 2] = [Self::Operator, Self::Viewer];

    /// Its word.
    pub fn word(self) -> &'static str {
        word_of(self, ROLES)
    }

    /// Its word with an article, for sentences.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::Operator => "an operator",
            Self::Viewer => "a viewer",
        }
    }
}

const ROLES: &[(TokenRole, &str)] = &[(TokenRole::Operator, "operator"), (TokenRole::Viewer, "viewer")];

/// The bearer of a token in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caller {
    /// Number of the token.
    pub id: i64,
    /// Its name.
    pub name: String,
    /// What it is good for.
    pub role: TokenRole,
    /// When it was last noted to be used.
    pub last_used_at: Option<Seconds>,
}

/// A token, without its secret, which nobody has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenRow {
    /// Its name, unique among those in force.
    pub name: String,
    /// What it is good for.
    pub role: TokenRole,
    /// When it was made.
    pub created_at: Seconds,
    /// When it was last used, to within a minute or so.
    pub last_used_at: Option<Seconds>,
    /// Since when it no longer works.
    pub revoked_at: Option<Seconds>,
}

/// Whether any token was ever made.
pub fn any(conn: &Connection) -> Result<bool, StoreFault> {
    Ok(conn.prepare_cached("SELECT EXISTS (SELECT 1 FROM token)")?.query_row([], |row| row.get(0))?)
}

/// Adds a token; false if one of that name is in force.
pub fn add(
    conn: &Connection,
    name: &str,
    role: TokenRole,
    hash: &Digest,
    now: Seconds,
) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM token WHERE name = :name AND revoked_at IS NULL)";
    if conn.query_row(sql, named_params! { ":name": name }, |row| row.get(0))? {
        return Ok(false);
    }
    conn.execute(
        "INSERT INTO token (name, role, hash, created_at) VALUES (:name, :role, :hash, :now)",
        named_params! { ":name": name, ":role": role.word(), ":hash": hash.0, ":now": now },
    )?;
    Ok(true)
}

/// Ends the token of this name, with the browsers that it signed in; what it was good for, or
/// nothing if none of that name is in force.
pub fn revoke(conn: &Connection, name: &str, now: Seconds) -> Result<Option<TokenRole>, StoreFault> {
    let sql = "SELECT id, role FROM token WHERE name = :name AND revoked_at IS NULL";
    let found = conn
        .query_row(sql, named_params! { ":name": name }, |row| {
            Ok((row.get::<_, i64>("id")?, word(row, "role", ROLES)))
        })
        .optional()?;
    let Some((number, role)) = found else { return Ok(None) };
    let token = named_params! { ":id": number };
    conn.execute("DELETE FROM sign_in_link WHERE token = :id", token)?;
    conn.execute("DELETE FROM session WHERE token = :id", token)?;
    conn.execute(
        "UPDATE token SET revoked_at = :now WHERE id = :id",
        named_params! { ":id": number, ":now": now },
    )?;
    Ok(Some(role?))
}

/// Every token that there ever was, oldest first.
pub fn list(conn: &Connection) -> Result<Vec<TokenRow>, StoreFault> {
    let sql = "SELECT name, role, created_at, last_used_at, revoked_at FROM token ORDER BY id";
    let mut statement = conn.prepare(sql)?;
    let mut rows = statement.query([])?;
    let mut tokens = Vec::new();
    while let Some(row) = rows.next()? {
        tokens.push(TokenRow {
            name: row.get("name")?,
            role: word(row, "role", ROLES)?,
            created_at: row.get("created_at")?,
            last_used_at: row.get("last_used_at")?,
            revoked_at: row.get("revoked_at")?,
        });
    }
    Ok(tokens)
}

/// The token in force with this hash. Compares with every one, in constant time.
pub fn find(conn: &Connection, hash: &Digest) -> Result<Option<Caller>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT id, hash FROM token WHERE revoked_at IS NULL")?;
    let mut rows = statement.query([])?;
    // Numbers count from 1.
    let mut number = 0i64;
    while let Some(row) = rows.next()? {
        let same = id::<Digest>(row, "hash")?.0.ct_eq(&hash.0);
        number = i64::conditional_select(&number, &row.get("id")?, same);
    }
    if number == 0 {
        return Ok(None);
    }
    let sql = "SELECT id, name, role, last_used_at FROM token WHERE id = :id";
    conn.prepare_cached(sql)?
        .query_row(named_params! { ":id": number }, |row| Ok(read(row)))
        .map_err(StoreFault::from)?
        .map(Some)
}

fn read(row: &Row<'_>) -> Result<Caller, StoreFault> {
    Ok(Caller {
        id: row.get("id")?,
        name: row.get("name")?,
        role: word(row, "role", ROLES)?,
        last_used_at: row.get("last_used_at")?,
    })
}

/// Notes that a token was used.
pub fn note_use(conn: &Connection, number: i64, now: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "UPDATE token SET last_used_at = :now WHERE id = :id",
        named_params! { ":id": number, ":now": now },
    )?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::open::MIGRATIONS;
    use super::super::who;
    use super::*;

    #[test]
    fn every_role_has_its_word() {
        for role in TokenRole::ALL {
            assert!(role.phrase().ends_with(role.word()));
        }
    }

    #[test]
    fn the_one_token_of_an_earlier_server_and_its_browsers_stay_in_force() {
        let mut conn = Connection::open_in_memory().unwrap();
        conn.pragma_update(None, "foreign_keys", true).unwrap();
        MIGRATIONS.to_version(&mut conn, 1).unwrap();
        let [old, token, link, session] = [1, 2, 3, 4].map(|n| Digest([n; 32]));
        for (hash, made, revoked) in [(old, 10, Some(20)), (token, 20, None)] {
            conn.execute("INSERT INTO token VALUES (?1, 'operator', ?2, ?3)", (hash.0, made, revoked))
                .unwrap();
        }
        conn.execute("INSERT INTO sign_in_link VALUES (?1, 900)", [link.0]).unwrap();
        conn.execute("INSERT INTO session VALUES (?1, 900)", [session.0]).unwrap();
        MIGRATIONS.to_latest(&mut conn).unwrap();

        assert_eq!(find(&conn, &old).unwrap(), None);
        let caller = find(&conn, &token).unwrap().unwrap();
        assert_eq!((caller.name.as_str(), caller.role), ("first", TokenRole::Operator));
        let rows = list(&conn).unwrap();
        assert_eq!(
            (rows[0].name.as_str(), rows[0].revoked_at, rows[0].created_at),
            ("earlier", Some(20), 10)
        );
        assert!(who::is_session(&conn, &session, 100).unwrap() && who::is_link(&conn, &link, 100).unwrap());
        assert_eq!(revoke(&conn, "first", 100).unwrap(), Some(TokenRole::Operator));
        assert!(!who::is_session(&conn, &session, 100).unwrap() && !who::is_link(&conn, &link, 100).unwrap());
    }

    #[test]
    fn no_token_is_found_among_none() {
        let mut conn = Connection::open_in_memory().unwrap();
        MIGRATIONS.to_latest(&mut conn).unwrap();
        assert!(!any(&conn).unwrap());
        assert_eq!(find(&conn, &Digest([0; 32])).unwrap(), None);
        assert!(add(&conn, "porch", TokenRole::Viewer, &Digest([7; 32]), 5).unwrap());
        assert!(!add(&conn, "porch", TokenRole::Viewer, &Digest([8; 32]), 5).unwrap());
        assert!(any(&conn).unwrap());
    }
}
