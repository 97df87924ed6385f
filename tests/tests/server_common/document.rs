//! Holds what crosses the operator's API against its OpenAPI document.

use jsonschema::Validator;
use pintle_server::contract::openapi;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

pub static DOCUMENT: LazyLock<Value> = LazyLock::new(openapi::document);
static VALIDATORS: LazyLock<Mutex<HashMap<String, Arc<Validator>>>> = LazyLock::new(Mutex::default);

/// Template and operation for a request; nothing if the document knows neither.
pub fn operation(method: &str, path: &str) -> Option<(&'static str, &'static Value)> {
    let path = path.split('?').next()?.strip_prefix(DOCUMENT["servers"][0]["url"].as_str()?)?;
    let fits = |template: &str| {
        let (wanted, given) = (template.split('/'), path.split('/'));
        wanted.clone().count() == given.clone().count()
            && wanted.zip(given).all(|(w, g)| w == g || (w.starts_with('{') && !g.is_empty()))
    };
    let operation = |template: &str| DOCUMENT["paths"][template].get(method.to_lowercase());
    // A path without variables counts before one with them: OpenAPI 3.1.1, section 4.8.8.2.
    let mut templates: Vec<&String> = DOCUMENT["paths"].as_object()?.keys().filter(|t| fits(t)).collect();
    templates.sort_by_key(|template| template.contains('{'));
    templates.first().and_then(|template| Some((template.as_str(), operation(template)?)))
}

/// What is wrong with a value by a schema of the document.
pub fn faults(schema: &Value, value: &Value) -> Vec<String> {
    let key = schema.to_string();
    let validator = {
        let mut known = VALIDATORS.lock().unwrap_or_else(PoisonError::into_inner);
        let made = known.entry(key).or_insert_with(|| {
            // References lead into the document, so the document goes along.
            let whole = json!({ "allOf": [schema], "components": DOCUMENT["components"] });
            Arc::new(jsonschema::draft202012::new(&whole).unwrap())
        });
        Arc::clone(made)
    };
    validator.iter_errors(value).map(|e| format!("{}: {e}", e.instance_path())).collect()
}

fn json_of(container: &Value) -> Option<&Value> {
    container["content"].get("application/json").map(|media| &media["schema"])
}

/// The response that the document has for a status.
pub fn response(operation: &'static Value, status: u16) -> Option<&'static Value> {
    let found = operation["responses"].get(status.to_string())?;
    match found["$ref"].as_str().and_then(|to| to.strip_prefix('#')) {
        Some(to) => DOCUMENT.pointer(to),
        None => Some(found),
    }
}

/// One request and its answer: the status is one that the document lists, and both bodies are
/// what it says. What the server could not read is what the document does not allow.
pub fn exchange_holds(method: &str, path: &str, asked: &[u8], status: u16, answered: &[u8]) {
    let Some((template, operation)) = operation(method, path) else { return };
    let at = format!("{method} {template}: {status}");
    let response = response(operation, status).unwrap_or_else(|| panic!("{at} is not in the document"));
    let answer: Value = serde_json::from_slice(answered).unwrap_or_else(|e| panic!("{at}: {e}"));
    let schema = json_of(response).unwrap_or_else(|| panic!("{at} has no schema"));
    assert_eq!(faults(schema, &answer), Vec::<String>::new(), "{at}: {answer}");

    let body = &operation["requestBody"];
    let (Some(schema), Ok(wish)) = (json_of(body), serde_json::from_slice::<Value>(asked)) else {
        let good = (200..300).contains(&status);
        assert!(!good || !asked.is_empty() || body["required"] != json!(true), "{at}: without a body");
        return;
    };
    let faults = faults(schema, &wish);
    if (200..300).contains(&status) {
        assert_eq!(faults, Vec::<String>::new(), "{at}: {wish}");
    }
    if answer["error"]["code"] == "bad_json" {
        assert_ne!(faults, Vec::<String>::new(), "{at}: the document allows {wish}");
    }
}
