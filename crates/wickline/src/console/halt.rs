//! Why a page cannot be shown or an act not be done, in words, with the code that stands for it.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};

use super::here::Here;
use crate::acts::people::PersonRole;
use crate::seen::{visible, visible_lines};
use crate::store::StoreError;
use crate::texts::Language;

/// It.
#[derive(Debug)]
pub(super) struct Halt {
    code: StatusCode,
    language: Language,
    text: String,
    /// What somebody wrote, which is not lost with the session.
    written: String,
}

#[derive(Template)]
#[template(path = "console/halt.html")]
struct Page<'a> {
    language: Language,
    text: &'a str,
    written: &'a str,
}

impl Page<'_> {
    fn t(&self, place: &str) -> &'static str {
        self.language.text(place)
    }
}

impl Halt {
    pub fn new(code: StatusCode, language: Language, text: impl Into<String>) -> Self {
        Self { code, language, text: text.into(), written: String::new() }
    }

    /// The ledger cannot be asked.
    pub fn away(language: Language, why: Option<&str>) -> Self {
        let text = language.say("halt.away", &[("why", why.unwrap_or("-"))]);
        Self::new(StatusCode::SERVICE_UNAVAILABLE, language, text)
    }

    /// A store said no. What an act refuses is told in its own words, and nothing was changed.
    pub fn store(language: Language, error: &StoreError) -> Self {
        if let StoreError::Refused { why } = error {
            return Self::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                language,
                visible_lines(&why.told(language)),
            );
        }
        tracing::warn!(%error, "a page could not be shown");
        if error.is_passing() {
            return Self::away(language, None);
        }
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, language, language.text("halt.store"))
    }

    /// This person may not do it.
    pub fn role(here: &Here, wanted: PersonRole) -> Self {
        let own = here.t(role(here.person.role));
        let with =
            [("name", here.person.name.as_str()), ("own", own), ("wanted", here.t(role(wanted)))];
        Self::new(StatusCode::FORBIDDEN, here.language, here.language.say("halt.role", &with))
    }

    /// There is no such page.
    pub fn lost(language: Language) -> Self {
        Self::new(StatusCode::NOT_FOUND, language, language.text("halt.lost"))
    }

    /// There is no such report.
    pub fn no_report(here: &Here, n: &str) -> Self {
        let text = here.language.say("halt.report", &[("n", n)]);
        Self::new(StatusCode::NOT_FOUND, here.language, text)
    }

    /// The session ended before the form came.
    pub fn ended(language: Language) -> Self {
        Self::new(StatusCode::UNAUTHORIZED, language, language.text("halt.ended"))
    }

    /// The same page shows what was written, so that it can be written again.
    pub fn with(mut self, written: &str) -> Self {
        self.written = visible(written);
        self
    }

    pub fn text(&self) -> &str {
        &self.text
    }

    pub fn code(&self) -> StatusCode {
        self.code
    }
}

/// Where the word of a role stands.
pub(super) fn role(role: PersonRole) -> &'static str {
    match role {
        PersonRole::Viewer => "role.viewer",
        PersonRole::Technologist => "role.technologist",
        PersonRole::Analyst => "role.analyst",
        PersonRole::Keeper => "role.keeper",
    }
}

impl IntoResponse for Halt {
    fn into_response(self) -> Response {
        let page = Page { language: self.language, text: &self.text, written: &self.written };
        match page.render() {
            Ok(page) => (self.code, Html(page)).into_response(),
            Err(_) => (self.code, self.text).into_response(),
        }
    }
}
