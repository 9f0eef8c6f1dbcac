//! The texts of dialects and strips: of those that come with the program, or of files beside the configuration.

use std::path::Path;

use super::sheet::{builtin_dialect, builtin_strip};
use crate::settings::Loaded;

/// The text of a strip.
pub fn strip(loaded: &Loaded, name: &str) -> Result<String, String> {
    builtin_strip(name).map_or_else(|| beside(loaded, name), |text| Ok(text.to_owned()))
}

/// The text of a dialect. None: it has no file.
pub fn dialect(loaded: &Loaded, name: &str) -> Result<Option<String>, String> {
    if name == "lis02" {
        return Ok(None);
    }
    builtin_dialect(name).map_or_else(|| beside(loaded, name), |text| Ok(text.to_owned())).map(Some)
}

fn beside(loaded: &Loaded, name: &str) -> Result<String, String> {
    let path = loaded.file.parent().unwrap_or(Path::new(".")).join(name);
    std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))
}
