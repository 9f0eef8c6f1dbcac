//! A dialect file of an analyzer that speaks LIS02: how its questions are answered. All else is the standard's.

use wickline_normalize::Fault;
use wickline_normalize::sheet::{Keys, Source};
use wickline_normalize::words::{self, quote};

use super::Lis02;
use super::query::IdAt;
use crate::dialect::shape::choice;

/// None: the file describes a printout.
pub(in crate::dialect) fn load(text: &str, file: &str) -> Option<Result<Lis02, Vec<Fault>>> {
    let source = Source::new(file, text);
    let root = source.parse()?;
    let keys = Keys::new(&source, String::new(), 0, root.get_ref());
    if !keys.has("records") {
        return None;
    }
    choice(&keys, "records", &[("lis02", ())]);
    let name = keys.needed("name", "my-dialect");
    if let Some(name) = name.as_ref().filter(|name| !words::is_name(&name.value)) {
        keys.fault(name.at, "name", quote(&name.value), words::NAME);
    }
    let mut lis02 =
        Lis02 { name: name.map(|name| name.value).unwrap_or_default(), ..Lis02::default() };
    if let Some(query) = keys.table("query") {
        lis02.answers = query.switch("answer");
        let places = &[("second", IdAt::Second), ("first", IdAt::First)];
        lis02.specimen = choice(&query, "specimen", places).unwrap_or_default();
        query.close();
    }
    keys.close();
    let faults = source.into_faults();
    Some(if faults.is_empty() { Ok(lis02) } else { Err(faults) })
}

#[cfg(test)]
mod tests {
    use crate::dialect::{builtin, parse};

    #[test]
    fn nothing_is_answered_unless_the_file_says_so() {
        let answers = |text: &str| {
            let text = format!("name = \"bench\"\nrecords = \"lis02\"\n{text}");
            parse(&text, "bench.toml")
                .map(|dialect| dialect.answers())
                .map_err(|faults| faults.iter().map(|fault| fault.key.clone()).collect::<Vec<_>>())
        };
        assert!(!builtin("lis02").expect("it is built in").answers());
        assert_eq!(answers(""), Ok(false));
        assert_eq!(answers("[query]\nspecimen = \"first\""), Ok(false));
        assert_eq!(answers("[query]\nanswer = true"), Ok(true));
        assert_eq!(answers("[query]\nanswer = \"yes\""), Err(vec!["query.answer".to_owned()]));
        assert_eq!(
            answers("[query]\nspecimen = \"third\""),
            Err(vec!["query.specimen".to_owned()])
        );
        assert_eq!(answers("[dates]\norder = \"ymd\""), Err(vec!["dates".to_owned()]));
    }
}
