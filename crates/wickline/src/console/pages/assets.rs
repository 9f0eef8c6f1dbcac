//! Style and script: in the program, under addresses that change with their bytes.

use std::sync::OnceLock;

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::digest;

const STYLE: &str = include_str!("../../../assets/console.css");
const SCRIPT: &str = include_str!("../../../assets/console.js");

fn name(text: &str, ending: &str) -> String {
    format!("{}.{ending}", &digest::of(text)[..16])
}

/// The address of the style.
pub fn style() -> &'static str {
    static NAME: OnceLock<String> = OnceLock::new();
    NAME.get_or_init(|| format!("/look/{}", name(STYLE, "css")))
}

/// The address of the script.
pub fn script() -> &'static str {
    static NAME: OnceLock<String> = OnceLock::new();
    NAME.get_or_init(|| format!("/look/{}", name(SCRIPT, "js")))
}

/// `GET /look/…`
pub async fn one(Path(name): Path<String>) -> Response {
    let path = format!("/look/{name}");
    let (kind, text) = if path == style() {
        ("text/css; charset=utf-8", STYLE)
    } else if path == script() {
        ("text/javascript; charset=utf-8", SCRIPT)
    } else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let kept = (header::CACHE_CONTROL, "public, max-age=31536000, immutable");
    ([(header::CONTENT_TYPE, kind), kept], text).into_response()
}
