//! Panels and dashboards as Grafana's JSON has them: queries, places, words for states.

use serde_json::{Value, json};

/// One query of a panel.
pub(super) struct Query {
    expr: String,
    legend: &'static str,
    /// The present moment as a table row, in place of a course of time.
    instant: bool,
}

pub(super) fn over_time(expr: &str, legend: &'static str) -> Query {
    Query { expr: expr.into(), legend, instant: false }
}

pub(super) fn now(expr: &str) -> Query {
    Query { expr: expr.into(), legend: "", instant: true }
}

/// A panel: kind, title, what it tells, unit, queries; its place is set by `dashboard`.
pub(super) struct Panel {
    kind: &'static str,
    title: &'static str,
    description: &'static str,
    height: u32,
    width: u32,
    queries: Vec<Query>,
    field: Value,
    overrides: Vec<Value>,
    options: Value,
    transformations: Vec<Value>,
}

impl Panel {
    fn new(kind: &'static str, title: &'static str, description: &'static str, queries: Vec<Query>) -> Self {
        Self {
            kind,
            title,
            description,
            height: 8,
            width: 24,
            queries,
            field: json!({}),
            overrides: vec![],
            options: json!({}),
            transformations: vec![],
        }
    }

    /// The same of another size, grid units.
    pub(super) fn sized(mut self, width: u32, height: u32) -> Self {
        (self.width, self.height) = (width, height);
        self
    }
}

pub(super) fn series(title: &'static str, description: &'static str, unit: &str, queries: Vec<Query>) -> Panel {
    let mut p = Panel::new("timeseries", title, description, queries);
    p.field = json!({
        "unit": unit, "decimals": 1,
        // Silence and "no data" leave a gap: a line across it would be invented.
        "custom": { "drawStyle": "line", "lineWidth": 1, "fillOpacity": 0, "spanNulls": false, "showPoints": "never" },
    });
    p.options = json!({
        "legend": { "displayMode": "list", "placement": "bottom", "showLegend": true, "calcs": [] },
        "tooltip": { "mode": "multi", "sort": "none" },
    });
    p
}

/// Words and colours of whole numbers from 0 on.
pub(super) fn states(
    title: &'static str,
    description: &'static str,
    words: &[(&str, &str)],
    queries: Vec<Query>,
) -> Panel {
    let mut p = Panel::new("state-timeline", title, description, queries);
    p.field = json!({ "mappings": [mapping(words)], "custom": { "fillOpacity": 80, "lineWidth": 0 } });
    p.options = json!({
        "mergeValues": true, "showValue": "auto", "alignValue": "left", "rowHeight": 0.8,
        "legend": { "displayMode": "list", "placement": "bottom", "showLegend": false, "calcs": [] },
        "tooltip": { "mode": "single", "sort": "none" },
    });
    p
}

pub(super) fn mapping(words: &[(&str, &str)]) -> Value {
    let options: serde_json::Map<String, Value> = words
        .iter()
        .enumerate()
        .map(|(n, (word, colour))| (n.to_string(), json!({ "text": word, "color": colour, "index": n })))
        .collect();
    json!({ "type": "value", "options": options })
}

/// A table whose columns come from one query each, joined by venue; `columns`: heading, unit or mapping.
pub(super) fn table(
    title: &'static str,
    description: &'static str,
    columns: &[(&str, Value)],
    queries: Vec<Query>,
) -> Panel {
    let mut p = Panel::new("table", title, description, queries);
    p.options = json!({ "showHeader": true, "cellHeight": "md" });
    let heading = |n: usize| format!("Value #{}", letter(n));
    let renamed: serde_json::Map<String, Value> =
        columns.iter().enumerate().map(|(n, (name, _))| (heading(n), json!(name))).collect();
    p.overrides = columns
        .iter()
        .map(|(name, properties)| {
            let properties: Vec<Value> = properties
                .as_object()
                .into_iter()
                .flatten()
                .map(|(id, value)| json!({ "id": id, "value": value }))
                .collect();
            json!({ "matcher": { "id": "byName", "options": name }, "properties": properties })
        })
        .collect();
    let hidden: serde_json::Map<String, Value> =
        ["Time", "__name__", "job", "instance"].iter().map(|k| ((*k).to_string(), json!(true))).collect();
    p.transformations = vec![
        json!({ "id": "merge", "options": {} }),
        json!({ "id": "organize", "options": { "excludeByName": hidden, "indexByName": {}, "renameByName": renamed } }),
    ];
    if let Some((first, _)) = columns.first() {
        p.transformations
            .push(json!({ "id": "sortBy", "options": { "fields": {}, "sort": [{ "field": first, "desc": true }] } }));
    }
    p
}

fn letter(n: usize) -> char {
    char::from(b'A' + n as u8)
}

pub(super) fn dashboard(uid: &str, title: &str, from: &str, one_venue: bool, panels: Vec<Panel>) -> Value {
    let source = json!({ "type": "prometheus", "uid": "${source}" });
    let mut variables = vec![json!({
        "name": "source", "label": "Data source", "type": "datasource", "query": "prometheus",
        "hide": 0, "refresh": 1, "multi": false, "includeAll": false, "skipUrlSync": false, "options": [],
    })];
    if one_venue {
        variables.push(json!({
            "name": "venue", "label": "Venue", "type": "query", "datasource": source,
            "query": { "query": "label_values(mixwarden_service_on, venue)", "refId": "venue" },
            "hide": 0, "refresh": 2, "sort": 1, "multi": false, "includeAll": false, "skipUrlSync": false, "options": [],
        }));
    }
    let (mut x, mut y, mut row) = (0, 0, 0);
    let placed: Vec<Value> = panels
        .into_iter()
        .enumerate()
        .map(|(n, p)| {
            if x + p.width > 24 {
                (x, y, row) = (0, y + row, 0);
            }
            let place = json!({ "x": x, "y": y, "w": p.width, "h": p.height });
            (x, row) = (x + p.width, row.max(p.height));
            let targets: Vec<Value> = p
                .queries
                .iter()
                .enumerate()
                .map(|(i, q)| {
                    json!({
                        "refId": letter(i).to_string(), "expr": q.expr, "legendFormat": q.legend, "datasource": source,
                        "instant": q.instant, "range": !q.instant, "format": if q.instant { "table" } else { "time_series" },
                    })
                })
                .collect();
            json!({
                "id": n + 1, "type": p.kind, "title": p.title, "description": p.description, "gridPos": place,
                "datasource": source, "targets": targets, "options": p.options, "transformations": p.transformations,
                "fieldConfig": { "defaults": p.field, "overrides": p.overrides },
            })
        })
        .collect();
    json!({
        "uid": uid, "title": title, "tags": ["mixwarden"], "schemaVersion": 38, "version": 1, "editable": true,
        "timezone": "browser", "refresh": "5s", "time": { "from": from, "to": "now" }, "graphTooltip": 1,
        "annotations": { "list": [] }, "templating": { "list": variables }, "panels": placed,
        "links": [{
            "title": "mixwarden", "type": "dashboards", "tags": ["mixwarden"], "asDropdown": false, "includeVars": true,
            "keepTime": true, "targetBlank": false, "icon": "external link", "tooltip": "", "url": "",
        }],
    })
}
