//! The HTTP interface as OpenAPI 3.1, made from the code: schemas from the structs that are sent, one list for what may be
//! asked. A test holds the list against the router.

mod example;

use super::shape::{Shape, Shapes, object};
use super::snapshot::Snapshot;
use example::example;
use serde_json::{Map, Value, json};
use std::sync::OnceLock;

/// What a request gives.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Gives {
    Now,
    Text,
    Object,
    Done,
}

/// A body: its schema's name, and an example.
type Body = (&'static str, fn() -> Value);

/// One thing that may be asked.
struct Operation {
    method: &'static str,
    path: &'static str,
    id: &'static str,
    /// Least role from another machine.
    role: &'static str,
    about: &'static str,
    /// The body, for what has one.
    body: Option<Body>,
    gives: Gives,
}

const OPERATIONS: &[Operation] = &[
    Operation {
        method: "get",
        path: "/api/v1/now",
        id: "now",
        role: "look",
        about: "The present moment: sentence, feeds, alerts, faults of the box. Levels of silence are null; `signal` says which kind of nothing.",
        body: None,
        gives: Gives::Now,
    },
    Operation {
        method: "post",
        path: "/api/v1/acknowledge",
        id: "acknowledge",
        role: "acknowledge",
        about: "Somebody is on it. The alert stands until it is over.",
        body: Some(("Acknowledge", || json!({ "alert": "all" }))),
        gives: Gives::Done,
    },
    Operation {
        method: "post",
        path: "/api/v1/shelve",
        id: "shelve",
        role: "manage",
        about: "Puts an alert aside for some minutes.",
        body: Some(("Shelve", || json!({ "alert": 12, "minutes": 30 }))),
        gives: Gives::Done,
    },
    Operation {
        method: "post",
        path: "/api/v1/service/begin",
        id: "beginService",
        role: "manage",
        about: "A service begins now; the button goes before set times and before sound.",
        body: None,
        gives: Gives::Done,
    },
    Operation {
        method: "post",
        path: "/api/v1/service/end",
        id: "endService",
        role: "manage",
        about: "The service ends now; its review is made.",
        body: None,
        gives: Gives::Done,
    },
    Operation {
        method: "post",
        path: "/api/v1/habits/forget",
        id: "forgetHabits",
        role: "manage",
        about: "Forgets what the venue has taught (level of pauses, how alike its sides are): after a new desk or new wiring.",
        body: None,
        gives: Gives::Done,
    },
    Operation {
        method: "get",
        path: "/api/v1/services",
        id: "services",
        role: "look",
        about: "The services that the log holds, the newest first.",
        body: None,
        gives: Gives::Object,
    },
    Operation {
        method: "get",
        path: "/api/v1/services/{id}",
        id: "service",
        role: "look",
        about: "The review of one service: figures, alerts, advice.",
        body: None,
        gives: Gives::Object,
    },
    Operation {
        method: "get",
        path: "/api/v1/trend",
        id: "trend",
        role: "look",
        about: "The last ten services that ended, oldest first, and what has crept in.",
        body: None,
        gives: Gives::Object,
    },
    Operation {
        method: "get",
        path: "/api/v1/before",
        id: "before",
        role: "look",
        about: "Before a service: whether the stream will be there, and what to do if not.",
        body: None,
        gives: Gives::Object,
    },
    Operation {
        method: "get",
        path: "/api/v1/openapi.json",
        id: "openapi",
        role: "look",
        about: "This document.",
        body: None,
        gives: Gives::Object,
    },
    Operation {
        method: "get",
        path: "/healthy",
        id: "healthy",
        role: "look",
        about: "The program answers.",
        body: None,
        gives: Gives::Text,
    },
    Operation {
        method: "get",
        path: "/ready",
        id: "ready",
        role: "look",
        about: "It measures, and every feed delivers data; else 503 and why.",
        body: None,
        gives: Gives::Text,
    },
    Operation {
        method: "get",
        path: "/metrics",
        id: "metrics",
        role: "look",
        about: "Prometheus text format 0.0.4; the names are in METRICS.md.",
        body: None,
        gives: Gives::Text,
    },
];

/// The document.
pub fn openapi() -> &'static Value {
    static DOCUMENT: OnceLock<Value> = OnceLock::new();
    DOCUMENT.get_or_init(document)
}

fn document() -> Value {
    let mut shapes = Shapes::new();
    let now = Snapshot::shape(&mut shapes);
    object(
        &mut shapes,
        "Error",
        "Why a request was not carried out.",
        vec![("error", "One sentence.", json!({ "type": "string" }))],
    );
    let alert = json!({ "oneOf": [{ "type": "integer", "minimum": 0, "maximum": u64::MAX }, { "type": "string", "const": "all" }] });
    object(&mut shapes, "Acknowledge", "Which alert.", vec![("alert", "Its number, or \"all\".", alert.clone())]);
    let minutes = json!({ "type": "integer", "minimum": 1, "maximum": 1440 });
    object(
        &mut shapes,
        "Shelve",
        "Which alert, for how long.",
        vec![("alert", "Its number, or \"all\".", alert), ("minutes", "For how long.", minutes)],
    );
    for name in ["Acknowledge", "Shelve"] {
        shapes[name]["additionalProperties"] = json!(false);
    }
    let mut paths: Map<String, Value> = Map::new();
    for o in OPERATIONS {
        let path = paths.entry(o.path).or_insert_with(|| json!({}));
        path[o.method] = operation(o, &now);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "mixwarden", "version": env!("CARGO_PKG_VERSION"),
            "summary": "The ear on a venue's stream mix",
            "description": "Version 1 of the interface: names are added, never changed or removed. From this computer itself nothing is needed; \
                from another machine a key with a role (look, acknowledge, manage; each may do what the ones before may), as a bearer token, \
                as the `key` of a link, or as the cookie that a link leaves. Requests that come from another site's page are refused.",
            "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
        },
        "servers": [{ "url": "http://127.0.0.1:8391", "description": "the booth computer itself" }],
        "security": [{}, { "bearer": [] }, { "cookie": [] }],
        "paths": paths,
        "components": {
            "schemas": shapes,
            "securitySchemes": {
                "bearer": { "type": "http", "scheme": "bearer", "description": "a key of the keys file" },
                "cookie": { "type": "apiKey", "in": "cookie", "name": "mixwarden" },
            },
        },
    })
}

fn operation(o: &Operation, now: &Value) -> Value {
    let text =
        |about: &str| json!({ "description": about, "content": { "text/plain": { "schema": { "type": "string" } } } });
    let refused = |about: &str| {
        json!({ "description": about, "content": {
            "application/json": { "schema": { "$ref": "#/components/schemas/Error" } },
            "text/plain": { "schema": { "type": "string" } },
        } })
    };
    let mut responses = Map::new();
    let mut put = |status: &str, response: Value| responses.insert(status.into(), response);
    match o.gives {
        Gives::Now => put(
            "200",
            json!({ "description": "the present moment", "content": { "application/json": { "schema": now, "example": example() } } }),
        ),
        Gives::Object => put(
            "200",
            json!({ "description": "one object", "content": { "application/json": { "schema": { "type": "object" } } } }),
        ),
        Gives::Text => put("200", text("what was asked for")),
        Gives::Done => put("204", json!({ "description": "done" })),
    };
    put("401", text("a key is needed from this address"));
    put("403", refused("the key's role may not do this, or the request comes from another site"));
    if o.gives == Gives::Done {
        put("503", refused("too much at once; try again"));
    }
    if o.id == "ready" {
        put("503", text("it does not measure, or nothing comes from a feed"));
    }
    if o.path.starts_with("/api/v1/services") || o.id == "trend" {
        put("503", text("the log cannot be read"));
    }
    if o.path.ends_with("{id}") {
        put("400", text("the number is no number"));
        put("404", text("there is none of this number"));
    }
    let mut made =
        json!({ "operationId": o.id, "summary": o.about, "description": format!("Role `{}` or above.", o.role) });
    if let Some((schema, example)) = o.body {
        put("400", refused("the body is no JSON"));
        put("413", refused("the body is too long"));
        put("415", refused("the body is not called application/json"));
        put("422", refused("the body is JSON but does not fit; nothing was done"));
        let schema = json!({ "$ref": format!("#/components/schemas/{schema}") });
        made["requestBody"] =
            json!({ "required": true, "content": { "application/json": { "schema": schema, "example": example() } } });
    }
    if o.path.ends_with("{id}") {
        let schema = json!({ "type": "integer", "minimum": 1 });
        made["parameters"] =
            json!([{ "name": "id", "in": "path", "required": true, "description": "its number", "schema": schema }]);
    }
    made["responses"] = Value::Object(responses);
    made
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What belongs to the page alone.
    const OF_THE_PAGE: &[&str] = &["/", "/booth.css", "/booth.js", "/events", "/acknowledge"];

    #[test]
    fn every_route_is_documented_and_every_documented_one_is_there() {
        let router = include_str!("../mod.rs");
        let routes: Vec<(&str, &str)> = router
            .split(".route(\"")
            .skip(1)
            .filter_map(|r| {
                let (path, rest) = r.split_once('"')?;
                Some((if rest.trim_start_matches(", ").starts_with("post") { "post" } else { "get" }, path))
            })
            .collect();
        let documented: Vec<(&str, &str)> = OPERATIONS.iter().map(|o| (o.method, o.path)).collect();
        for route in &routes {
            let of_the_page = OF_THE_PAGE.contains(&route.1)
                || ["/reviews", "/moments", "/linecheck", "/before"].iter().any(|p| route.1.starts_with(p));
            assert!(of_the_page || documented.contains(route), "{route:?} is not in OPERATIONS");
        }
        for operation in documented {
            assert!(routes.contains(&operation), "{operation:?} is not routed");
        }
    }

    #[test]
    fn the_example_is_a_moment_with_an_alert_and_lists_of_words_are_enums() {
        let example = example();
        assert_eq!(example["alerts"][0]["condition"], "digital_silence", "{example}");
        let shapes = &openapi()["components"]["schemas"];
        assert_eq!(shapes["Snapshot"]["properties"]["mood"]["enum"], json!(["calm", "advice", "warning"]));
        assert_eq!(shapes["ServiceNow"]["properties"]["by"]["enum"], json!(["button", "timetable", "activity", null]));
        assert_eq!(shapes["Snapshot"]["properties"]["venue"].get("enum"), None);
    }
}
