//! The OpenAPI document of the operator's API: that it is the committed one, that it follows its
//! specification, and that routes and refusals in it are those of the server.

mod refusals;
mod rules;
#[path = "../server_common/mod.rs"]
mod server_common;

use pintle_server::contract::openapi;
use pintle_server::contract::routes::ROUTES;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// `PINTLE_WRITE_OPENAPI=1 cargo test -p pintle-tests --test openapi` writes it anew.
#[test]
fn the_committed_document_is_what_the_code_says() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../docs/openapi.json");
    let text = serde_json::to_string_pretty(&openapi::document()).unwrap() + "\n";
    if std::env::var_os("PINTLE_WRITE_OPENAPI").is_some() {
        std::fs::write(&path, &text).unwrap();
    }
    let found = std::fs::read_to_string(&path).unwrap();
    let differs = found.lines().zip(text.lines()).position(|(a, b)| a != b);
    assert!(
        found == text,
        "docs/openapi.json is not what the code says, from line {:?} on. If the change is meant: \
         PINTLE_WRITE_OPENAPI=1 cargo test -p pintle-tests --test openapi",
        differs.map(|n| n + 1)
    );
}

/// Method and whole path of every operation.
fn operations(document: &Value) -> Vec<(String, String, &Value)> {
    let base = document["servers"][0]["url"].as_str().unwrap();
    let paths = document["paths"].as_object().unwrap();
    let of_path = |(path, item): (&String, &'_ Value)| {
        let methods: Vec<String> = item.as_object().unwrap().keys().cloned().collect();
        methods.into_iter().map(|m| (m.to_uppercase(), format!("{base}{path}"), m)).collect::<Vec<_>>()
    };
    let names = paths.iter().flat_map(of_path);
    names
        .map(|(method, path, key)| {
            let operation = &document["paths"][path.strip_prefix(base).unwrap()][key];
            (method, path, operation)
        })
        .collect()
}

#[test]
fn every_route_of_the_operator_is_in_the_document_and_no_other() {
    let document = openapi::document();
    let documented: BTreeSet<_> = operations(&document).into_iter().map(|(m, p, _)| (m, p)).collect();
    let served: BTreeSet<_> = ROUTES
        .iter()
        .filter(|route| route.path.starts_with("/api/"))
        .map(|route| (route.method.to_owned(), route.path.to_owned()))
        .collect();
    assert_eq!(documented, served, "a route says in the table of routes what it takes and answers");
    assert!(served.len() > 20);
}
