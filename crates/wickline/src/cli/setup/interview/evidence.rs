//! What speaks for an answer: the ports of this machine, and what dialects, strips and units make of what was heard.

use wickline_normalize::strip::Strip;

use super::Interview;
use crate::cli::output::visible;
use crate::cli::setup::ports::{self, Seen};
use crate::cli::setup::steps::{Step, What};
use crate::setup::fits;

impl Interview<'_> {
    /// Shows what speaks for an answer, and says which one Enter takes.
    pub(super) fn evidence(&mut self, step: &Step) -> Option<String> {
        match step.what {
            What::Line => self.list_ports(),
            What::Speed => return self.suggested.clone(),
            What::Dialect if !self.prints.is_empty() => return self.tried_dialects(),
            What::Strip => return self.tried_strips(),
            What::Printed => return self.counted_units(),
            _ => {}
        }
        self.usual(step)
    }

    fn list_ports(&mut self) {
        self.ports = ports::seen();
        if self.ports.is_empty() {
            eprintln!("no serial port is seen on this machine: is the adapter plugged in?");
        }
        for (n, port) in (1..).zip(&self.ports) {
            let Seen { name, node, what, holder } = port;
            let held = holder.as_ref().map(|who| format!("; at present {who} has it"));
            let text = format!(
                "{} ({}): {what}{}",
                name.display(),
                node.display(),
                held.unwrap_or_default()
            );
            eprintln!("{n:>3}  {}", visible(&text));
        }
    }

    fn tried_dialects(&self) -> Option<String> {
        let fits = fits::dialects(&self.prints);
        if let (Some(drafted), Some(dialect)) = (&self.drafted, self.dialect()) {
            let fit = fits::dialect_fit(&drafted.dialect_file(), dialect.as_ref(), &self.prints);
            eprintln!("  {}: {}", fit.name, fit.words());
        }
        for fit in &fits {
            eprintln!("  {}: {}", fit.name, fit.words());
        }
        let before = self.answers.get("analyzer", "dialect");
        let best = fits.into_iter().next().filter(|fit| fit.clean > 0).map(|fit| fit.name);
        let asks = best.is_none() && fits::asks_to_send(&self.prints);
        if asks {
            eprintln!(
                "ENQ was heard: an analyzer that speaks LIS01 asks to send and waits for an answer, which is not given \
                 here. Its dialect is lis02."
            );
        }
        before.or(best).or_else(|| asks.then(|| "lis02".to_owned()))
    }

    fn tried_strips(&self) -> Option<String> {
        let before = self.answers.get("analyzer", "strip");
        let dialect = self.dialect();
        let fits = dialect.map(|dialect| fits::strips(dialect.as_ref(), &self.prints));
        let Some(fits) = fits.filter(|fits| fits.iter().any(|fit| fit.readings > 0)) else {
            eprintln!("  shipped: {}", Strip::builtin_names().join(", "));
            return before;
        };
        for fit in &fits {
            eprintln!("  {}: {}", fit.name, fit.words());
        }
        // Of two that fit alike nobody here can tell which it is.
        let whole = |fit: &&fits::StripFit| {
            fit.placed > 0 && fit.placed == fit.readings && fit.missing.is_empty()
        };
        let mut best = fits.iter().filter(whole);
        let one = best.next().filter(|_| best.next().is_none()).map(|fit| fit.name.clone());
        before.or(one)
    }

    fn counted_units(&self) -> Option<String> {
        let before = self.answers.get("analyzer", "units");
        let (Some(dialect), Some(strip), false) =
            (self.dialect(), self.strip(), self.prints.is_empty())
        else {
            return before;
        };
        let units = fits::units(dialect.as_ref(), &strip, &self.prints);
        eprintln!(
            "  of the numbers that tell, {} are conventional and {} are SI",
            units.conventional, units.si
        );
        before.or_else(|| units.word().map(str::to_owned))
    }
}
