//! A form as it comes: bounded, from one of our own pages, once.

use axum::extract::{FromRequest, Request};
use axum::http::{HeaderMap, StatusCode, header};

use super::halt::Halt;
use super::here::{Here, asked};
use crate::settings::bench::ConsoleRules;
use crate::texts::Language;

/// Bytes of a form at most, and fields.
const LARGEST: usize = 16 * 1024;
const MOST: usize = 500;

/// What was written into the fields.
#[derive(Debug, Default)]
pub(super) struct Fields(Vec<(String, String)>);

impl Fields {
    /// A field as it was filled in; empty where it is not there.
    pub fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(known, _)| known == name).map_or("", |(_, value)| value)
    }

    /// Every value of a field that may come more than once.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(known, _)| known == name).map(|(_, value)| value.as_str())
    }

    /// What a person wrote, to stand there again where it was refused: no secret, no second look, nothing of ours.
    fn typed(&self) -> String {
        let ours = ["token", "once", "seen", "act", "find", "name", "code", "new"];
        let own = |name: &str| {
            !ours.contains(&name) && !name.contains("password") && !name.contains("again")
        };
        let mut typed = form_urlencoded::Serializer::new(String::new());
        typed.extend_pairs(self.0.iter().filter(|(name, value)| own(name) && !value.is_empty()));
        typed.finish()
    }

    /// What a person wrote in words and would have to write again; no id of a specimen, for nobody is signed in.
    fn written(&self) -> String {
        let words = ["numbers", "lot", "reason", "who"].map(|name| self.get(name).trim());
        words.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(" · ")
    }

    /// Whether somebody scanned a badge where something else belongs.
    fn has_badge(&self, rules: &ConsoleRules) -> bool {
        self.0.iter().any(|(_, value)| rules.is_badge(value))
    }

    /// Reads a body, where it comes from one of our pages.
    async fn read(request: Request, language: Language) -> Result<Self, Halt> {
        let unread = |code| Halt::new(code, language, language.text("halt.form"));
        is_ours(request.headers(), language)?;
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
        let form = kind.is_some_and(|kind| kind.starts_with("application/x-www-form-urlencoded"));
        if !form {
            return Err(unread(StatusCode::UNSUPPORTED_MEDIA_TYPE));
        }
        let body = axum::body::to_bytes(request.into_body(), LARGEST).await;
        let body = body.map_err(|_| unread(StatusCode::PAYLOAD_TOO_LARGE))?;
        let fields: Vec<(String, String)> = form_urlencoded::parse(&body)
            .take(MOST + 1)
            .map(|(k, v)| (k.into_owned(), v.into_owned()))
            .collect();
        if fields.len() > MOST {
            return Err(unread(StatusCode::BAD_REQUEST));
        }
        Ok(Self(fields))
    }
}

/// A form of somebody else's page is turned away, whatever it brings (Fetch Metadata; RFC 6454, 7). Under our own
/// policy of no referrer browsers write the origin of our own forms as `null` (Fetch, "append a request `Origin`
/// header"): then the metadata must say that it is ours.
fn is_ours(headers: &HeaderMap, language: Language) -> Result<(), Halt> {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    let host = text("host").unwrap_or("");
    let named = text("origin").is_some_and(|origin| {
        let bare = origin.strip_prefix("https://").or(origin.strip_prefix("http://"));
        bare.is_some_and(|bare| bare.eq_ignore_ascii_case(host))
    });
    let ours = match (text("sec-fetch-site"), text("origin")) {
        (Some("same-origin"), Some("null") | None) => true,
        (Some("same-origin") | None, Some(_)) => named,
        // A program without a browser: nobody's page made it send this.
        (None, None) => true,
        (Some(_), _) => false,
    };
    match ours {
        true => Ok(()),
        false => Err(Halt::new(StatusCode::FORBIDDEN, language, language.text("halt.foreign"))),
    }
}

/// What to say to whose session ended while they wrote: nothing was changed, and what they wrote is still there.
pub(super) async fn ended(request: Request, language: Language) -> Halt {
    let halt = Halt::ended(language);
    match Fields::read(request, language).await {
        Ok(fields) => halt.with(&fields.written()),
        Err(_) => halt,
    }
}

/// A form of somebody who signed in: with the token of this session. Whether it comes a second time is for the act.
pub(super) struct Signed {
    pub here: Here,
    pub fields: Fields,
}

impl Signed {
    /// Whether it comes for the first time: who presses twice acts once.
    pub fn is_first(&self) -> bool {
        let once = self.fields.get("once");
        self.here.site.memory.is_first(&self.here.session.mark, once)
    }
}

impl<S: Send + Sync> FromRequest<S> for Signed {
    type Rejection = Halt;

    async fn from_request(request: Request, _: &S) -> Result<Self, Halt> {
        let here = request.extensions().get::<Here>().cloned();
        let here = here.ok_or_else(|| Halt::lost(asked(request.headers())))?;
        let fields = Fields::read(request, here.language).await?;
        // Compared by their digests: how long that takes tells nothing of the token.
        let same = crate::digest::of(fields.get("token")) == crate::digest::of(&here.token);
        if !same || fields.get("once").len() < 16 || fields.get("once").len() > 64 {
            let text = here.t("halt.old");
            let halt = Halt::new(StatusCode::GONE, here.language, text);
            return Err(halt.with(fields.get("reason")));
        }
        // Nothing looks for it, shows or keeps it: what stands on a badge opens the console.
        if fields.has_badge(&here.bench.console_rules) {
            let text = here.t("halt.badge");
            return Err(Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, text));
        }
        let here = Here { typed: fields.typed(), ..here };
        Ok(Self { here, fields })
    }
}

/// A form of somebody who has not signed in: at the login alone.
pub(super) struct Open {
    pub fields: Fields,
}

impl<S: Send + Sync> FromRequest<S> for Open {
    type Rejection = Halt;

    async fn from_request(request: Request, _: &S) -> Result<Self, Halt> {
        let language = asked(request.headers());
        Ok(Self { fields: Fields::read(request, language).await? })
    }
}

#[cfg(test)]
mod tests {
    use axum::http::{HeaderMap, HeaderName, HeaderValue};

    use super::is_ours;
    use crate::texts::Language;

    #[test]
    fn a_form_of_somebody_elses_page_is_turned_away() {
        let ours = |pairs: &[(&str, &str)]| {
            let mut headers = HeaderMap::new();
            headers.insert("host", HeaderValue::from_static("bench:8420"));
            for (name, value) in pairs {
                let name: HeaderName = name.parse().expect("a name");
                headers.insert(name, value.parse().expect("a value"));
            }
            is_ours(&headers, Language::English).is_ok()
        };
        for good in [
            &[][..],
            &[("origin", "http://bench:8420")],
            &[("origin", "https://BENCH:8420"), ("sec-fetch-site", "same-origin")],
            &[("origin", "null"), ("sec-fetch-site", "same-origin")],
            &[("sec-fetch-site", "same-origin")],
        ] {
            assert!(ours(good), "{good:?}");
        }
        for bad in [
            &[("origin", "null")][..],
            &[("origin", "http://bench:8421")],
            &[("origin", "http://evil.test")],
            &[("origin", "http://evil.test"), ("sec-fetch-site", "same-origin")],
            &[("origin", "http://bench:8420.evil.test")],
            &[("sec-fetch-site", "cross-site")],
            &[("sec-fetch-site", "same-site"), ("origin", "http://bench:8421")],
            &[("sec-fetch-site", "none")],
            &[("origin", "\u{fe}")],
        ] {
            assert!(!ours(bad), "{bad:?}");
        }
    }
}
