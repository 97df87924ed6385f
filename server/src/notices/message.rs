//! What is sent: several notices in one message, as JSON and as mail.

use super::condition::Written;
use crate::contract::Seconds;
use crate::words::utc;
use serde::Serialize;
use std::fmt::Write as _;

/// Notices in one message at the most; the rest follow in the next.
pub(super) const MOST: u32 = 50;

/// What a webhook is posted.
#[derive(Debug, Serialize)]
pub(super) struct Posted<'a> {
    /// The server's public key in hexadecimal: which server it is.
    server: &'a str,
    notices: Vec<PostedNotice<'a>>,
}

#[derive(Debug, Serialize)]
struct PostedNotice<'a> {
    /// Its number; the same notice may come twice.
    id: i64,
    kind: &'static str,
    subject: &'a str,
    sentence: &'a str,
    /// Seconds since 1970-01-01 UTC.
    at: Seconds,
}

impl<'a> Posted<'a> {
    pub(super) fn new(server: &'a str, notices: &'a [Written]) -> Self {
        let posted = |n: &'a Written| PostedNotice {
            id: n.id,
            kind: n.condition.kind.word(),
            subject: &n.condition.subject,
            sentence: &n.condition.sentence,
            at: n.at,
        };
        Self { server, notices: notices.iter().map(posted).collect() }
    }
}

/// Subject and text of a mail.
pub(super) fn mail(server: &str, notices: &[Written]) -> (String, String) {
    let subject = match notices {
        [one] => format!("Pintle: {}", one.condition.sentence),
        _ => format!("Pintle: {} notices", notices.len()),
    };
    let mut text = String::new();
    for notice in notices {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{}  {}", utc(notice.at), notice.condition.sentence);
    }
    let numbers: Vec<_> = notices.iter().map(|notice| notice.id.to_string()).collect();
    let _ = write!(
        text,
        "\nFrom the server with key {server}; notice {}.\n\
         This is no alarm: it may come late or never. See to the door itself.\n",
        numbers.join(", ")
    );
    (subject, text)
}

#[cfg(test)]
mod tests {
    use super::super::{Condition, Kind};
    use super::*;

    fn notice(id: i64, sentence: &str) -> Written {
        let condition =
            Condition { kind: Kind::NodeSilent, subject: "0707".to_owned(), sentence: sentence.to_owned() };
        Written { id, condition, at: 1_800_000_000 }
    }

    #[test]
    fn a_post_is_what_the_page_says() {
        let notices = [notice(7, "Cart shed has not been heard since 2027-01-15 07:00 UTC")];
        let json = serde_json::to_string_pretty(&Posted::new("5a1f", &notices)).unwrap();
        let page = include_str!("../../../docs/notices.md");
        let shown = page.split("```json\n").nth(1).unwrap().split("```").next().unwrap();
        assert_eq!(json.trim(), shown.trim());
    }

    #[test]
    fn a_mail_says_what_and_when() {
        let (subject, text) = mail("5a1f", &[notice(7, "Cart shed is heard again")]);
        assert_eq!(subject, "Pintle: Cart shed is heard again");
        assert!(
            text.starts_with(
                "2027-01-15 08:00 UTC  Cart shed is heard again\n\nFrom the server with key 5a1f"
            )
        );
        let (subject, text) = mail("5a1f", &[notice(7, "one"), notice(8, "two")]);
        assert_eq!(subject, "Pintle: 2 notices");
        assert!(text.contains("  one\n") && text.contains("  two\n") && text.contains("notice 7, 8."));
    }
}
