//! From the structs of the JSON to their JSON Schema: a struct written in `wire!` gives its shape, with the remarks on its
//! fields as descriptions. What is sent and what is documented cannot part.

use serde_json::{Map, Value, json};

/// Schemas by name.
pub(super) type Shapes = Map<String, Value>;

/// Something with a JSON Schema.
pub(super) trait Shape {
    /// The schema; structs put theirs into `shapes` and give a reference.
    fn shape(shapes: &mut Shapes) -> Value;
}

macro_rules! plain {
    ($($kind:ty: $schema:tt;)+) => {
        $(impl Shape for $kind {
            fn shape(_: &mut Shapes) -> Value {
                json!($schema)
            }
        })+
    };
}

plain! {
    bool: { "type": "boolean" };
    u32: { "type": "integer", "minimum": 0 };
    u64: { "type": "integer", "minimum": 0 };
    i64: { "type": "integer" };
    f64: { "type": "number" };
    String: { "type": "string" };
    &'static str: { "type": "string" };
}

impl<T: Shape> Shape for Vec<T> {
    fn shape(shapes: &mut Shapes) -> Value {
        json!({ "type": "array", "items": T::shape(shapes) })
    }
}

impl<T: Shape> Shape for Option<T> {
    fn shape(shapes: &mut Shapes) -> Value {
        let inner = T::shape(shapes);
        match inner.get("type").and_then(Value::as_str) {
            Some(kind) => {
                let mut inner = inner.clone();
                inner["type"] = json!([kind, "null"]);
                inner
            }
            None => json!({ "anyOf": [inner, { "type": "null" }] }),
        }
    }
}

/// The schema of a struct: every field is required (nothing is left out, what is not there is null).
pub(super) fn object(shapes: &mut Shapes, name: &str, about: &str, fields: Vec<(&str, &str, Value)>) -> Value {
    let required: Vec<&str> = fields.iter().map(|f| f.0).collect();
    let described = fields.iter().map(|(field, about, schema)| {
        let mut schema = schema.clone();
        schema["description"] = json!(about.trim());
        // "`calm`, `advice` or `warning`.": a remark of nothing but names lists all values.
        let names: Vec<&str> = about.split('`').skip(1).step_by(2).collect();
        let rest: String = about.split('`').step_by(2).collect();
        let only_names = rest.replace(" or ", "").chars().all(|c| ", .".contains(c));
        let text = schema["type"] == "string" || schema["type"] == json!(["string", "null"]);
        if text && only_names && !names.is_empty() {
            let mut values: Vec<Value> = names.iter().map(|n| json!(n)).collect();
            if schema["type"].is_array() {
                values.push(Value::Null);
            }
            schema["enum"] = json!(values);
        }
        ((*field).to_string(), schema)
    });
    let properties: Map<String, Value> = described.collect();
    let schema =
        json!({ "type": "object", "description": about.trim(), "required": required, "properties": properties });
    shapes.insert(name.into(), schema);
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

/// Structs of the JSON: the struct, its serialising, its shape.
macro_rules! wire {
    ($(
        $(#[doc = $about:literal])+
        pub struct $name:ident {
            $($(#[doc = $doc:literal])+ pub $field:ident: $kind:ty,)+
        }
    )+) => {
        $(
            $(#[doc = $about])+
            #[derive(Debug, serde::Serialize)]
            pub struct $name {
                $($(#[doc = $doc])+ pub $field: $kind,)+
            }

            impl $crate::show::shape::Shape for $name {
                fn shape(shapes: &mut $crate::show::shape::Shapes) -> serde_json::Value {
                    let fields = vec![$((
                        stringify!($field),
                        concat!($($doc),+),
                        <$kind as $crate::show::shape::Shape>::shape(shapes),
                    )),+];
                    $crate::show::shape::object(shapes, stringify!($name), concat!($($about),+), fields)
                }
            }
        )+
    };
}

pub(super) use wire;
