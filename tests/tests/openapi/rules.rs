//! Rules of the OpenAPI Specification 3.1.1 (2024-10-24), by its sections.

use super::operations;
use pintle_server::contract::openapi;
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Fixed fields of the objects that the document has, as far as it may use them; `!` marks those
/// that are required.
const FIELDS: &[(&str, &str)] = &[
    ("4.8.1 OpenAPI", "openapi! info! servers paths components security tags"),
    ("4.8.2 Info", "title! version! summary description license contact"),
    ("4.8.4 License", "name! identifier url"),
    ("4.8.5 Server", "url! description"),
    ("4.8.7 Components", "schemas responses securitySchemes"),
    ("4.8.9 Path Item", "get put post delete"),
    ("4.8.10 Operation", "operationId summary description tags parameters requestBody responses security"),
    ("4.8.12 Parameter", "name! in! description required schema!"),
    ("4.8.13 Request Body", "description content! required"),
    ("4.8.14 Media Type", "schema"),
    ("4.8.17 Response", "description! headers content"),
    ("4.8.21 Header", "description required schema!"),
    ("4.8.27 Security Scheme", "type! scheme! description"),
];

fn object<'a>(kind: &str, value: &'a Value) -> &'a Map<String, Value> {
    let fields = FIELDS.iter().find(|(name, _)| name.ends_with(&format!(" {kind}"))).unwrap().1;
    let found = value.as_object().unwrap_or_else(|| panic!("{kind}: {value}"));
    for field in fields.split(' ').filter_map(|field| field.strip_suffix('!')) {
        assert!(found.contains_key(field), "{kind} without {field}: {value}");
    }
    let known: Vec<&str> = fields.split(' ').map(|field| field.trim_end_matches('!')).collect();
    for field in found.keys() {
        assert!(known.contains(&field.as_str()), "{kind} with {field}: {value}");
    }
    found
}

/// Media types and the schemas in them.
fn content<'a>(value: &'a Value, schemas: &mut Vec<&'a Value>) {
    let content = value.as_object().unwrap();
    assert_eq!(content.len(), 1);
    for (kind, media) in content {
        assert!(kind.split_once('/').is_some(), "{kind}");
        schemas.extend(object("Media Type", media).get("schema"));
    }
}

fn response<'a>(value: &'a Value, schemas: &mut Vec<&'a Value>) {
    let response = object("Response", value);
    content(&response["content"], schemas);
    for header in response.get("headers").and_then(Value::as_object).into_iter().flat_map(Map::values) {
        schemas.push(&object("Header", header)["schema"]);
    }
}

/// Every reference in a value.
fn references<'a>(value: &'a Value, found: &mut BTreeSet<&'a str>) {
    match value {
        Value::Object(fields) => {
            found.extend(fields.get("$ref").and_then(Value::as_str));
            fields.values().for_each(|value| references(value, found));
        }
        Value::Array(items) => items.iter().for_each(|item| references(item, found)),
        _ => {}
    }
}

#[test]
fn every_object_has_the_fields_that_the_specification_gives_it() {
    let document = openapi::document();
    let root = object("OpenAPI", &document);
    assert!(root["openapi"].as_str().unwrap().starts_with("3.1."), "section 4.1");
    let license = object("License", &object("Info", &root["info"])["license"]);
    assert!(!license.contains_key("identifier") || !license.contains_key("url"), "4.8.4: one of the two");
    root["servers"].as_array().unwrap().iter().for_each(|server| {
        object("Server", server);
    });
    let components = object("Components", &root["components"]);
    for (name, _) in components.values().flat_map(|kind| kind.as_object().unwrap()) {
        let plain = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
        assert!(!name.is_empty() && name.chars().all(plain), "4.8.7.1: {name}");
    }
    for scheme in components["securitySchemes"].as_object().unwrap().values() {
        assert_eq!(object("Security Scheme", scheme)["type"], "http");
    }

    let mut schemas: Vec<&Value> = components["schemas"].as_object().unwrap().values().collect();
    components["responses"].as_object().unwrap().values().for_each(|r| response(r, &mut schemas));
    root["paths"].as_object().unwrap().values().for_each(|item| {
        object("Path Item", item);
    });
    let mut ids = BTreeSet::new();
    for (method, path, operation) in operations(&document) {
        let operation = object("Operation", operation);
        let id = operation["operationId"].as_str().unwrap();
        assert!(ids.insert(id), "4.8.10.1: {id} twice");
        assert!(!operation["summary"].as_str().unwrap().is_empty());
        for required in operation["security"].as_array().unwrap() {
            for name in required.as_object().unwrap().keys() {
                assert!(components["securitySchemes"].get(name).is_some(), "4.8.30: {name}");
            }
        }
        if let Some(body) = operation.get("requestBody") {
            assert_ne!(method, "GET", "4.8.10.1: a body where HTTP gives it no meaning");
            content(&object("Request Body", body)["content"], &mut schemas);
        }
        for (status, answer) in operation["responses"].as_object().unwrap() {
            assert!(matches!(status.parse(), Ok(100..=599u16)), "4.8.16: {status}");
            match answer.get("$ref") {
                Some(_) => assert_eq!(answer.as_object().unwrap().len(), 1, "4.8.23: {answer}"),
                None => response(answer, &mut schemas),
            }
        }
        let mut seen = BTreeMap::new();
        for parameter in operation.get("parameters").and_then(Value::as_array).into_iter().flatten() {
            let parameter = object("Parameter", parameter);
            let (name, place) = (parameter["name"].as_str().unwrap(), parameter["in"].as_str().unwrap());
            assert!(["path", "query"].contains(&place), "4.8.12.1: {place}");
            assert_eq!(seen.insert(name, place), None, "4.8.10.1: {name} twice");
            assert!(place != "path" || parameter["required"] == true, "4.8.12.2: {name}");
            schemas.push(&parameter["schema"]);
        }
        let in_path: Vec<&str> =
            seen.iter().filter(|(_, place)| **place == "path").map(|(n, _)| *n).collect();
        let template: Vec<&str> =
            path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}')).collect();
        assert_eq!(in_path, template, "4.8.2, path templating: {path}");
    }
    assert!(schemas.len() > 100, "{}", schemas.len());
    // 4.8.24: a superset of JSON Schema 2020-12, whose meta-schema the library brings.
    for schema in schemas {
        jsonschema::draft202012::meta::validate(schema).unwrap_or_else(|e| panic!("{e}: {schema}"));
    }
}

#[test]
fn paths_are_told_apart_and_references_lead_somewhere() {
    let document = openapi::document();
    let mut plain = BTreeSet::new();
    for path in document["paths"].as_object().unwrap().keys() {
        assert!(path.starts_with('/'), "4.8.8.1: {path}");
        let same = path.split('/').map(|part| if part.starts_with('{') { "{}" } else { part });
        assert!(plain.insert(same.collect::<Vec<_>>().join("/")), "4.8.8.1: {path} is there twice");
    }
    let mut found = BTreeSet::new();
    references(&document, &mut found);
    for to in &found {
        let pointer = to.strip_prefix('#').expect("only into the document itself");
        assert!(document.pointer(pointer).is_some(), "4.8.23: {to} leads nowhere");
    }
    for kind in ["schemas", "responses"] {
        for name in document["components"][kind].as_object().unwrap().keys() {
            assert!(found.contains(format!("#/components/{kind}/{name}").as_str()), "{name} is used nowhere");
        }
    }
}
