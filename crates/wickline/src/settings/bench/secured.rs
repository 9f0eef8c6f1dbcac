//! Where a receiver is, and the files of TLS to it: each fault under the key that it is of.

use std::path::PathBuf;

use wickline_forward::deliver::{Address, Tls};

use super::super::{Receiver, Settings};
use super::Builder;

impl Builder<'_> {
    /// The addresses of a receiver, in the order in which they are tried.
    pub(super) fn addresses(&mut self, settings: &Settings, index: usize) -> Option<Vec<Address>> {
        let raw = &settings.receiver[index];
        let before = self.faults.len();
        let tls = self.tls(raw, index);
        if self.faults.len() > before {
            return None;
        }
        let first = Address::parse(&raw.address, self.folder(), &tls);
        let first = self.good("receiver", index, "address", &raw.address, first)?;
        if let (Address::Folder(_), false) = (&first, raw.also.is_empty()) {
            let allowed = "nothing: a folder has no further addresses".to_owned();
            self.fault("receiver", index, "also", &raw.also.join(", "), allowed);
        }
        let mut addresses = vec![first];
        for text in &raw.also {
            let parsed = Address::parse(text, self.folder(), &tls);
            let parsed = parsed.and_then(|address| match address {
                Address::Folder(_) => Err("mllp://HOST:PORT or mllps://HOST:PORT".into()),
                other => Ok(other),
            });
            addresses.push(self.good("receiver", index, "also", text, parsed)?);
        }
        Some(addresses)
    }

    /// Its files of TLS. Given where nothing is closed by them they are a mistake: whoever wrote them down
    /// believes that it is.
    fn tls(&mut self, raw: &Receiver, index: usize) -> Tls {
        let path = |text: &str| (!text.is_empty()).then(|| self.folder().join(text));
        let tls = Tls {
            ca: path(&raw.ca),
            certificate: path(&raw.certificate),
            key: path(&raw.private_key),
        };
        let all = || {
            std::iter::once(("address", &raw.address)).chain(raw.also.iter().map(|a| ("also", a)))
        };
        let secured = all().any(|(_, text)| text.starts_with("mllps://"));
        let given: Vec<_> =
            [("ca", &raw.ca), ("certificate", &raw.certificate), ("private_key", &raw.private_key)]
                .into_iter()
                .filter(|(_, text)| !text.is_empty())
                .collect();
        if secured {
            if !given.is_empty()
                && let Some((key, text)) = all().find(|(_, text)| text.starts_with("mllp://"))
            {
                let allowed = "mllps://HOST:PORT, like the other address: by mllp:// the same results would go \
                               without TLS"
                    .to_owned();
                self.fault("receiver", index, key, text, allowed);
            }
            for (key, why) in tls.faults() {
                let found = given.iter().find(|(given, _)| *given == key);
                self.fault("receiver", index, key, found.map_or("", |(_, text)| text), why);
            }
            tls.key
                .iter()
                .for_each(|key: &PathBuf| self.secret("receiver", index, "private_key", key));
        } else {
            for (key, text) in given {
                let allowed = format!(
                    "nothing where no address begins with mllps://: {} goes without TLS, and this file would not be \
                     used",
                    raw.address
                );
                self.fault("receiver", index, key, text, allowed);
            }
        }
        tls
    }
}
