//! The operator's API as an OpenAPI document, made from the table of routes and the types.
//!
//! Source: OpenAPI Specification 3.1.1 (2024-10-24); schemas are JSON Schema 2020-12.

use super::ErrorBody;
use super::routes::{Number, Query, ROUTES, Route, Shape, Takes, Who};
use super::text::Hex;
use schemars::generate::{SchemaGenerator, SchemaSettings};
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;

const API: &str = "/api/v1";
const SCHEMAS: &str = "/components/schemas";
/// Where schemas of answers are said to be until all are known.
const ANSWERS: &str = "/components/answers";

/// What an answer of a status says that is no success.
const REFUSALS: &[(u16, &str)] = &[
    (400, "Path, query or body cannot be read."),
    (401, "There is no token, or it is not one in force."),
    (403, "The token looks and changes nothing."),
    (404, "What the path names is not there."),
    (409, "It does not fit where things stand now."),
    (413, "The body is too large."),
    (422, "The body can be read, and says something that cannot be."),
    (500, "Something went wrong inside the server; its log says more."),
    (503, "Nothing can be written now. Nothing of it was done; try again later."),
];

/// The document: every route below `/api/v1` of [`ROUTES`], and no other.
pub fn document() -> Value {
    let mut schemas = Schemas::new();
    let mut paths = Map::new();
    for route in ROUTES {
        let (Some(path), Some(answers)) = (route.path.strip_prefix(API), route.answers) else { continue };
        let methods = paths.entry(path.to_owned()).or_insert_with(|| json!({}));
        methods[route.method.to_lowercase()] = operation(route, path, answers, &mut schemas);
    }
    let error = schemas.answer(SchemaGenerator::subschema_for::<ErrorBody>);
    let refusals: Map<String, Value> =
        REFUSALS.iter().map(|(status, says)| (status.to_string(), refusal(*status, says, &error))).collect();
    let mut document = json!({
        "openapi": "3.1.1",
        "info": {
            "title": "Pintle server: the operator's API",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "All that is JSON is UTF-8. A field that is not described here is refused. \
                Times are whole seconds since 1970-01-01 UTC. Sizes and how much is taken from how many: docs/limits.md. \
                A path that is not here is answered with 404, a method that is not here with 405, both with an error in the same form. \
                There is no request that moves a door.",
            "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
        },
        "servers": [{ "url": API }],
        "paths": paths,
        "components": {
            "securitySchemes": { "token": {
                "type": "http",
                "scheme": "bearer",
                "description": "A token of role `operator` may do everything; one of role `viewer` looks, and changes nothing.",
            } },
            "responses": refusals,
        },
    });
    schemas.finish(&mut document);
    document
}

fn operation(route: &Route, path: &str, (status, shape): (u16, Shape), schemas: &mut Schemas) -> Value {
    let role = if route.who == Who::Viewer { "viewer" } else { "operator" };
    let words: Vec<&str> = path.split(['/', '-', '{', '}']).filter(|word| !word.is_empty()).collect();
    let mut found = json!({
        "operationId": format!("{}_{}", route.method.to_lowercase(), words.join("_")),
        "summary": sentence(route.what),
        "security": [{ "token": [role] }],
        "responses": { status.to_string(): {
            "description": "It is done, or here it is.",
            "content": { "application/json": { "schema": schemas.answer(shape) } },
        } },
    });
    let mut parameters: Vec<Value> = words_in_braces(path).map(|name| in_path(path, name, schemas)).collect();
    parameters.extend(route.query.iter().map(|query| in_query(query, schemas)));
    if !parameters.is_empty() {
        found["parameters"] = parameters.into();
    }
    if let Some(body) = body(route.takes, schemas) {
        found["requestBody"] = body;
    }
    for status in refusals(route) {
        found["responses"][status.to_string()] =
            json!({ "$ref": format!("#/components/responses/{status}") });
    }
    found
}

/// The statuses by which a route refuses: its own, and those that follow from the rest.
fn refusals(route: &Route) -> impl Iterator<Item = u16> {
    let has_body = !matches!(route.takes, Takes::Nothing);
    let read = has_body || route.path.contains('{') || !route.query.is_empty();
    let changes = route.who == Who::Operator;
    let follow = [(true, 401), (true, 500), (read, 400), (has_body, 413), (changes, 403), (changes, 503)];
    let follow = follow.into_iter().filter_map(|(is, status)| is.then_some(status));
    follow.chain(route.refuses.iter().copied())
}

fn refusal(status: u16, says: &str, error: &Value) -> Value {
    let mut found = json!({ "description": says, "content": { "application/json": { "schema": error } } });
    let header = match status {
        401 => Some(("WWW-Authenticate", json!({ "type": "string", "const": "Bearer" }))),
        503 => Some(("Retry-After", json!({ "type": "integer", "minimum": 1 }))),
        _ => None,
    };
    if let Some((name, schema)) = header {
        found["headers"] = json!({ name: { "required": true, "schema": schema } });
    }
    found
}

fn body(takes: Takes, schemas: &mut Schemas) -> Option<Value> {
    let (required, kind, schema) = match takes {
        Takes::Nothing => return None,
        Takes::Json(shape) => (true, "application/json", schemas.request(shape)),
        Takes::MaybeJson(shape) => (false, "application/json", schemas.request(shape)),
        // Section 4.8.14.3 of OpenAPI: for bytes as they are the schema is left empty.
        Takes::Bytes => (true, "application/octet-stream", json!({})),
    };
    Some(json!({ "required": required, "content": { kind: { "schema": schema } } }))
}

fn words_in_braces(path: &str) -> impl Iterator<Item = &str> {
    path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
}

fn in_path(path: &str, name: &str, schemas: &mut Schemas) -> Value {
    let (what, schema) = if path.starts_with("/rollouts/") {
        ("The number of the rollout.", json!({ "type": "integer", "format": "int64" }))
    } else if name == "digest" {
        ("A SHA-256, in hexadecimal.", schemas.request(SchemaGenerator::subschema_for::<Hex<32>>))
    } else {
        ("The node, in hexadecimal.", schemas.request(SchemaGenerator::subschema_for::<Hex<16>>))
    };
    json!({ "name": name, "in": "path", "required": true, "description": what, "schema": schema })
}

fn in_query(query: &Query, schemas: &mut Schemas) -> Value {
    let (name, what, schema) = match *query {
        Query::Number(Number { name, what, least, most, usual }) => {
            let schema = json!({ "type": "integer", "minimum": least, "maximum": most, "default": usual });
            (name, what, schema)
        }
        Query::Node(name, what) => (name, what, schemas.request(SchemaGenerator::subschema_for::<Hex<16>>)),
    };
    json!({ "name": name, "in": "query", "description": what, "schema": schema })
}

fn sentence(what: &str) -> String {
    let mut letters = what.chars();
    letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).chain(['.']).collect()
}

/// The schemas of all types: as they are read in requests, and as they are written in answers,
/// which leave out nothing. A type that differs in the two has the ending `Shown` in answers.
struct Schemas {
    requests: SchemaGenerator,
    answers: SchemaGenerator,
}

impl Schemas {
    fn new() -> Self {
        let settings = |path: &'static str| {
            SchemaSettings::draft2020_12().with(|s| {
                s.definitions_path = path.into();
                s.meta_schema = None;
            })
        };
        Self {
            requests: settings(SCHEMAS).for_deserialize().into_generator(),
            answers: settings(ANSWERS).for_serialize().into_generator(),
        }
    }

    fn request(&mut self, shape: Shape) -> Value {
        shape(&mut self.requests).to_value()
    }

    fn answer(&mut self, shape: Shape) -> Value {
        shape(&mut self.answers).to_value()
    }

    /// Puts all schemas into the document, under names that tell apart what differs.
    fn finish(mut self, document: &mut Value) {
        let requests = self.requests.take_definitions(true);
        let answers = self.answers.take_definitions(true);
        let mut differ = BTreeSet::new();
        // What refers to something that differs does so too.
        loop {
            let before = differ.len();
            for (name, written) in &answers {
                let mut written = written.clone();
                rename(&mut written, &|name| shown(name, &differ));
                if requests.get(name).is_some_and(|read| *read != written) {
                    differ.insert(name.clone());
                }
            }
            if differ.len() == before {
                break;
            }
        }
        let mut all = requests;
        all.extend(answers.into_iter().map(|(name, schema)| (shown(&name, &differ), schema)));
        document["components"]["schemas"] = Value::Object(all);
        rename(document, &|name| shown(name, &differ));
    }
}

fn shown(name: &str, differ: &BTreeSet<String>) -> String {
    if differ.contains(name) { format!("{name}Shown") } else { name.to_owned() }
}

/// Lets what refers to schemas of answers find them, and makes prose of docstrings.
fn rename(value: &mut Value, name: &dyn Fn(&str) -> String) {
    match value {
        Value::Object(fields) => {
            for (field, value) in fields {
                match (field.as_str(), value) {
                    ("$ref", Value::String(to)) => {
                        if let Some(old) = to.strip_prefix('#').and_then(|to| to.strip_prefix(ANSWERS)) {
                            *to = format!("#{SCHEMAS}/{}", name(old.trim_start_matches('/')));
                        }
                    }
                    ("description", Value::String(text)) => {
                        let lines: Vec<&str> = text.split_whitespace().collect();
                        *text = lines.join(" ").replace("[`", "`").replace("`]", "`");
                    }
                    (_, value) => rename(value, name),
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| rename(item, name)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}
