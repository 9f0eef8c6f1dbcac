//! Forms of the lines that are no results: what changes in them from report to report, and what it most likely is.

use std::collections::{BTreeMap, BTreeSet};

use super::dates;
use super::words::{self, Key};
use super::write::{Page, few, text};

/// A form with the list of the dialect that it belongs to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Guess {
    pub list: &'static str,
    pub form: String,
    ask: &'static str,
    /// Printed words in lines of this form that may mean a class, and which.
    classes: BTreeSet<(String, &'static str)>,
}

impl Guess {
    /// The form in which what stands right before another placeholder is never empty: it may load where the other
    /// does not. None: it is the same.
    pub fn never_empty(&self) -> Option<Guess> {
        let form = self.form.replace("?} {", "} {");
        (form != self.form).then(|| Guess { form, ..self.clone() })
    }
}

/// A word, and the blanks or the sign before it.
#[derive(Clone, Debug, Default)]
struct Word<'t> {
    before: String,
    text: &'t str,
}

const NUMBER: &str = "letters before the digits of some numbers tell a class, perhaps: is one of urgent work or \
                      control material? Then each has a form of its own, such as R/{number}";
const DENIED: &str = "does the last word say that it is neither control material nor urgent work?";
const BRACKETS: &str = "do these brackets hold whoever ran it?";
const LOT: &str = "is this the lot of the strips? That of control material is {lot}";
const ANY: &str = "may what stands at {any} be read past, and may these words change?";

/// The forms of all lines, in the order of the print; `sign` stands between fields.
pub(super) fn forms(lines: &[&str], sign: Option<char>) -> Vec<Guess> {
    let mut groups: Vec<(String, Vec<Vec<Word<'_>>>)> = Vec::new();
    for line in lines {
        let words = split(line.trim(), sign);
        let begun = words.first().map_or("", |word| word.text);
        let begun = if begun.contains(|c: char| c.is_ascii_digit()) { "" } else { begun };
        let key = format!("{begun} {} {}", words.len(), class(line, &words));
        match groups.iter_mut().find(|(known, _)| *known == key) {
            Some((_, rows)) => rows.push(words),
            None => groups.push((key, vec![words])),
        }
    }
    let mut found: Vec<Guess> = Vec::new();
    let mut numbers = BTreeSet::new();
    for (_, rows) in &groups {
        let reader = Reader { rows, numbers, known: &found, ..Reader::default() };
        let guess;
        (guess, numbers) = reader.form();
        if !found.iter().any(|known| known.form == guess.form) {
            found.push(guess);
        }
    }
    found
}

/// What a line says of a class, by which it has a form of its own: the words, and the answer to them.
fn class(line: &str, words: &[Word<'_>]) -> String {
    let said: Vec<&str> = words::classes(line).into_iter().map(|(word, ..)| word).collect();
    let last = words.last().filter(|_| words.len() > 1 && !said.is_empty());
    let answer = last.map(|word| word.text).filter(|word| words::answer(word).is_some());
    [said.join(" "), answer.unwrap_or("").to_owned()].join(" ")
}

/// The words of a line. Behind the colon of a key a word begins as well.
fn split(line: &str, sign: Option<char>) -> Vec<Word<'_>> {
    let mut words: Vec<Word<'_>> = Vec::new();
    let mut before = String::new();
    let mut from = 0;
    // Brackets around words are words of their own.
    let brackets = line.contains(" (") && line.contains(')');
    let mut push = |before: &mut String, mut word| {
        let mut lead = std::mem::take(before);
        while let Some(at) = opened(word, brackets).or_else(|| cut(word)) {
            let (key, value) = word.split_at(at);
            words.push(Word { before: std::mem::take(&mut lead), text: key });
            word = value;
        }
        let closed = word.len() - usize::from(brackets && word.len() > 1 && word.ends_with(')'));
        let (word, closing) = word.split_at(closed);
        words.push(Word { before: lead, text: word });
        if !closing.is_empty() {
            words.push(Word { before: String::new(), text: closing });
        }
    };
    for (at, letter) in line.char_indices() {
        let own = Some(letter) == sign;
        if !own && !matches!(letter, ' ' | '\t') {
            continue;
        }
        let word = line.get(from..at).unwrap_or("");
        from = at + letter.len_utf8();
        // A comma belongs to what stands behind it.
        let bare = word.trim_end_matches([',', ';']);
        if !word.is_empty() || own {
            push(&mut before, bare);
        }
        before.push_str(word.get(bare.len()..).unwrap_or(""));
        if own || !before.ends_with(' ') {
            before.push(if own { letter } else { ' ' });
        }
    }
    push(&mut before, line.get(from..).unwrap_or(""));
    words
}

/// Where a bracket ends that opens before a word.
fn opened(word: &str, brackets: bool) -> Option<usize> {
    (brackets && word.len() > 1 && word.starts_with('(')).then_some(1)
}

/// Where a word ends that announces what stands behind it without a blank.
fn cut(word: &str) -> Option<usize> {
    let at = word.find([':', '='])? + 1;
    let (key, value) = word.split_at(at);
    (key.contains(char::is_alphabetic)
        && !key.contains(|c: char| c.is_ascii_digit())
        && !value.is_empty())
    .then_some(at)
}

/// Lines of one form while it is read, word by word.
#[derive(Default)]
struct Reader<'r, 't> {
    rows: &'r [Vec<Word<'t>>],
    /// Forms that other lines have.
    known: &'r [Guess],
    /// What stands at the numbers of the forms so far.
    numbers: BTreeSet<String>,
    form: String,
    pending: Option<Key>,
    control: bool,
    urgent: bool,
    /// The line is about the strips, or about a lot.
    lots: bool,
    dated: bool,
    /// An unknown word with a colon announces what stands here.
    announced: bool,
    guessed: bool,
    /// What stood in brackets was taken for whoever ran it.
    bracketed: bool,
    /// Numbers of this line begin with letters that differ.
    lettered: bool,
}

impl<'t> Reader<'_, 't> {
    /// The form, and the numbers of reports with those that its lines have.
    fn form(mut self) -> (Guess, BTreeSet<String>) {
        let count = self.rows.first().map_or(0, Vec::len);
        let mut at = 0;
        while at < count {
            let before =
                self.rows.first().and_then(|row| row.get(at)).map(|word| word.before.clone());
            let before = before.unwrap_or_default();
            let length = self.form.len();
            self.form.push_str(&before);
            let words = self.column(at);
            let taken = if words.iter().all(|word| word.is_empty()) {
                1
            } else {
                self.word(at, &words, count)
            };
            // What is read past reaches to the next word of its own.
            if taken == 0 {
                self.form.truncate(length);
            }
            let own =
                self.form.get(length + before.len()..).and_then(|own| own.split_once("{number}"));
            if let Some((lead, _)) = own {
                let letter = |word: &&str| word.starts_with(|c: char| c.is_alphabetic());
                self.lettered |= lead.is_empty() && words.iter().any(letter);
                let held = words.iter().filter_map(|word| word.strip_prefix(lead));
                self.numbers.extend(held.filter(|held| !held.is_empty()).map(str::to_owned));
            }
            at += taken.max(1);
        }
        match self.pending {
            Some(Key::Specimen) => self.form.push_str(" {specimen?}"),
            Some(Key::Operator) => self.form.push_str(" {operator?}"),
            _ => {}
        }
        let denied = self.answer() == Some(false);
        let list = if denied {
            "lines"
        } else if self.control {
            "control"
        } else if self.urgent {
            "urgent"
        } else {
            "lines"
        };
        let ask = match list {
            "control" => "does this line mean control material?",
            "urgent" => "does this line mean urgent work?",
            _ if denied => DENIED,
            _ if self.lettered => NUMBER,
            _ if self.form.contains("{strip_lot}") => LOT,
            _ if self.form.contains("{any") => ANY,
            _ if self.bracketed => BRACKETS,
            _ if self.guessed => "is this what stands there?",
            _ => "",
        };
        let classes = if denied { BTreeSet::new() } else { classes(self.rows) };
        (Guess { list, form: self.form, ask, classes }, self.numbers)
    }

    /// What the last word of the lines answers to a class that the others name.
    fn answer(&self) -> Option<bool> {
        let last = self.rows.first()?.last()?;
        words::answer(last.text).filter(|_| self.control || self.urgent)
    }

    fn column(&self, at: usize) -> Vec<&'t str> {
        self.rows.iter().filter_map(|row| row.get(at)).map(|word| word.text).collect()
    }

    /// Writes what stands at one word, and says how many words it took; 0: nothing was written.
    fn word(&mut self, at: usize, words: &[&str], count: usize) -> usize {
        let some: Vec<&str> = words.iter().copied().filter(|word| !word.is_empty()).collect();
        let all = |is: &dyn Fn(&str) -> bool| some.iter().all(|word| is(word));
        let same = some.windows(2).all(|pair| matches!(pair, [a, b] if a == b))
            && some.len() == words.len();
        let digits = some.iter().any(|word| word.contains(|c: char| c.is_ascii_digit()));
        let key = some.first().and_then(|word| words::key(word)).filter(|_| same);
        // Behind a word for control material one letter is a level, whatever else it is short for.
        let level =
            matches!(self.pending, Some(Key::Control | Key::Level)) && all(&|word| word.len() == 1);
        let key = key.filter(|_| !level);
        let by = self.dated && same && some.first().is_some_and(|word| words::is_by(word));
        let key = if by { Some(Key::Operator) } else { key };
        if let Some(taken) = self.moment(at, &some) {
            return taken;
        } else if all(&words::is_weekday) && self.dates_follow(at + 1) {
            return self.any("any");
        } else if self.lots && all(&is_expiry) {
            return self.field("expiry");
        } else if let Some(key) = key {
            self.announce(key);
            return self.literal(some.first().copied().unwrap_or(""));
        }
        if let Some(taken) = self.of_specimen(at, &some, count) {
            return taken;
        }
        if let Some(taken) = self.lettered(&some, words.len()) {
            return taken;
        }
        if same && at + 1 == count && self.answer().is_some() {
            return self.literal(some.first().copied().unwrap_or(""));
        }
        let again = self.repeated(words);
        match self.pending.take() {
            Some(Key::Number) if digits => self.field("number"),
            Some(Key::Operator) => {
                self.field("operator?");
                1 + self.more(at + 1, count)
            }
            None if self.form.ends_with('(') && all(&are_initials) => {
                self.bracketed = true;
                self.field("operator?")
            }
            Some(Key::Strip) if all(&|word| word.starts_with('#')) => {
                self.form.push('#');
                self.field("number")
            }
            Some(Key::Strip) if all(&is_a_name) => self.field("strip"),
            Some(Key::Count) if all(&|word| word.len() < 3 && word.parse::<u8>().is_ok()) => {
                self.field("count")
            }
            Some(Key::Lot) => self.field(if self.control { "lot" } else { "strip_lot" }),
            Some(Key::Level | Key::Control) if all(&|word| word.len() == 1) => self.field("level"),
            Some(Key::Name) => {
                self.any("any?");
                count - at
            }
            _ if same && !digits && !self.announced => {
                let word = some.first().copied().unwrap_or("");
                self.announced = word.ends_with([':', '=']) && word.len() > 1;
                self.literal(word)
            }
            _ if self.control && digits => self.field("lot"),
            _ if self.numbers.is_empty() && counts_up(words) => self.field("number"),
            _ if again.is_some() => {
                self.form.push_str(again.unwrap_or_default());
                self.field("number")
            }
            _ if digits && self.is_known("{number}") => self.field("number"),
            _ => self.any(if some.len() < words.len() { "any?" } else { "any" }),
        }
    }

    /// Writes what stands where a specimen's id is announced: that id, whatever it looks like, for a form that reads
    /// past it would read past a class as well. None: no such word stands before it.
    fn of_specimen(&mut self, at: usize, some: &[&str], count: usize) -> Option<usize> {
        (self.pending == Some(Key::Specimen)).then_some(())?;
        let announces = |word: &&str| word.ends_with([':', '=']) && word.len() > 1;
        if some.iter().all(announces) && some.windows(2).all(|two| matches!(two, [a, b] if a == b))
        {
            self.form.truncate(self.form.trim_end().len());
            self.field("specimen?");
            self.form.push(' ');
            self.announced = true;
            return Some(self.literal(some.first().copied().unwrap_or("")));
        }
        let row = self.rows.first().map(Vec::as_slice).unwrap_or_default();
        let alike = self.rows.iter().all(|other| {
            let texts =
                |row: &[Word<'t>]| row.iter().skip(at).map(|word| word.text).collect::<Vec<_>>();
            texts(other) == texts(row)
        });
        let nothing = row.get(at + 1).is_some_and(|word| words::is_nothing(word.text));
        if alike && nothing && some.iter().all(|word| *word == "(") {
            for (n, word) in row.iter().enumerate().skip(at) {
                self.form.push_str(if n > at { &word.before } else { "" });
                self.literal(word.text);
            }
            self.pending = None;
            self.guessed = true;
            return Some(count - at);
        }
        let digits = some.iter().any(|word| word.contains(|c: char| c.is_ascii_digit()));
        let rows = self.rows.len();
        self.field("specimen?");
        Some(if digits || some.len() < rows { 1 } else { count - at })
    }

    /// Writes a date or a time, or a part of one. None: it is none.
    fn moment(&mut self, at: usize, some: &[&str]) -> Option<usize> {
        let all = |is: &dyn Fn(&str) -> bool| some.iter().all(|word| is(word));
        let time = self.dated || self.pending == Some(Key::Time);
        let first = self.rows.first().map(Vec::as_slice).unwrap_or_default();
        let three: Vec<&str> = first.iter().skip(at).take(3).map(|word| word.text).collect();
        if all(&dates::is_date) {
            self.dated = true;
            return Some(self.field("date"));
        } else if all(&|word| dates::is_time(word, time)) {
            return Some(self.field("time"));
        } else if all(&|word| words::half(word).is_some()) {
            return Some(self.field("half"));
        }
        let day = dates::named_day(&three).map(|form| (form, 3));
        let (form, taken) = dates::named_time(&three).or(day)?;
        self.dated |= day.is_some();
        self.guessed = true;
        self.form.push_str(form);
        self.pending = None;
        Some(taken)
    }

    /// Whether a date stands at this word of every line.
    fn dates_follow(&self, at: usize) -> bool {
        self.rows.iter().all(|row| {
            let three: Vec<&str> = row.iter().skip(at).take(3).map(|word| word.text).collect();
            three.first().is_some_and(|word| dates::is_date(word))
                || dates::named_day(&three).is_some()
        })
    }

    /// Writes a number with letters before its digits, as `R/0501`. None: it is none.
    fn lettered(&mut self, some: &[&str], rows: usize) -> Option<usize> {
        let parts: Vec<(&str, &str)> = some.iter().filter_map(|word| letters(word)).collect();
        let (lead, _) = *parts.first()?;
        let digits: Vec<&str> = parts.iter().map(|(_, digits)| *digits).collect();
        let announced = matches!(self.pending, Some(Key::Number | Key::Strip));
        let known = self.is_known(&format!("{lead}{{number}}"));
        let own = announced || known || self.numbers.is_empty() && counts_up(&digits);
        (parts.len() == rows && own).then_some(())?;
        if parts.iter().all(|(other, _)| *other == lead) {
            self.form.push_str(lead);
        } else {
            self.lettered = true;
        }
        Some(self.field("number"))
    }

    /// Whether another form begins as this one does and goes on so.
    fn is_known(&self, further: &str) -> bool {
        self.known.iter().any(|guess| {
            guess
                .form
                .strip_prefix(self.form.as_str())
                .is_some_and(|rest| rest.starts_with(further))
        })
    }

    /// What stands before the number of each report where it stands here once more: that it is the same one is then
    /// compared. None: it does not, or it is short and only one, which may be by chance.
    fn repeated<'w>(&self, words: &[&'w str]) -> Option<&'w str> {
        let first = *words.first()?;
        let digits = first.trim_start_matches(|c: char| !c.is_ascii_digit());
        let lead = first.strip_suffix(digits).filter(|lead| !lead.contains(['{', '}']))?;
        let same = words.iter().all(|word| *word == first);
        let own = |lead| {
            let mut own = words.iter().map(|word| word.strip_prefix(lead));
            own.all(|word| word.is_some_and(|word| self.numbers.contains(word)))
        };
        (digits.len() > 2 || !same).then_some(())?;
        [lead, ""].into_iter().find(|lead| own(*lead))
    }

    fn announce(&mut self, key: Key) {
        match key {
            Key::Control => self.control = true,
            Key::Urgent => self.urgent = true,
            Key::Strip | Key::Lot | Key::Expiry => self.lots = true,
            _ => {}
        }
        self.pending = Some(key);
        self.announced = false;
    }

    fn literal(&mut self, word: &str) -> usize {
        if word.contains(['{', '}']) {
            return self.any("any");
        }
        self.form.push_str(word);
        1
    }

    /// A placeholder, once in a line.
    fn field(&mut self, name: &str) -> usize {
        self.pending = None;
        self.announced = false;
        self.guessed = true;
        let placeholder = format!("{{{name}}}");
        if self.form.contains(&placeholder) {
            return self.any("any");
        }
        self.form.push_str(&placeholder);
        1
    }

    fn any(&mut self, name: &str) -> usize {
        if self.form.trim_end().ends_with("{any}") {
            return 0;
        }
        self.form.push_str(&format!("{{{name}}}"));
        1
    }

    /// How many further words a name has.
    fn more(&self, from: usize, count: usize) -> usize {
        let ends = |at: &usize| {
            self.column(*at).iter().all(|word| {
                // A sign alone parts what stands around it.
                !word.is_empty() && !word.contains(char::is_alphanumeric)
                    || dates::is_date(word)
                    || dates::is_time(word, true)
                    || words::key(word).is_some()
            })
        };
        (from..count).find(ends).unwrap_or(count) - from
    }
}

/// The letters and the sign before the digits of a number, and these: `R/` and `0501`.
fn letters(word: &str) -> Option<(&str, &str)> {
    let at = word.find(['/', '-']).map(|at| at + 1).filter(|at| *at <= 4)?;
    let (lead, digits) = word.split_at(at);
    let own = lead.trim_end_matches(['/', '-']);
    (own.chars().all(|c| c.is_ascii_uppercase())
        && !own.is_empty()
        && digits.len() > 2
        && digits.bytes().all(|b| b.is_ascii_digit()))
    .then_some((lead, digits))
}

/// Two or three letters, as people sign with.
fn are_initials(word: &str) -> bool {
    let letters = word.replace('.', "");
    (2..=3).contains(&letters.chars().count())
        && letters.chars().all(char::is_alphabetic)
        && words::mark(word).is_none()
        && words::key(word).is_none()
}

/// The words of these lines that may mean a class.
fn classes(rows: &[Vec<Word<'_>>]) -> BTreeSet<(String, &'static str)> {
    let all = rows.iter().flatten().flat_map(|word| words::classes(word.text));
    all.map(|(word, _, called)| (word.to_owned(), called)).collect()
}

/// What a strip is called: not a word of the sentence.
fn is_a_name(word: &str) -> bool {
    word.contains(|c: char| c.is_ascii_digit()) || word.to_uppercase() == word
}

/// A month and its year.
fn is_expiry(word: &str) -> bool {
    let figures = |text: &str, most: usize| {
        matches!(text.len(), 1..=4) && text.len() <= most && text.parse::<u16>().is_ok()
    };
    word.split_once(['/', '-', '.'])
        .is_some_and(|(month, year)| figures(month, 2) && figures(year, 4) && year.len() > 1)
}

/// Whether these are numbers of several reports, each one more than the one before or a little more; some may be of a
/// series of their own, behind one letter.
fn counts_up(words: &[&str]) -> bool {
    let mut series: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for word in words {
        let letter = usize::from(word.starts_with(|c: char| c.is_ascii_uppercase()));
        let (lead, digits) = word.split_at(letter);
        let Ok(number) = digits.parse() else { return false };
        series.entry(lead).or_default().push(number);
    }
    let near = |pair: &[u32]| matches!(pair, [a, b] if b > a && b - a < 20);
    series.get("").is_some_and(|own| own.len() > 1)
        && series.values().all(|own| own.windows(2).all(near))
}

/// `[header]` of the dialect, each form with its question; what no form says of a class is asked about with the words
/// of the print that may mean one.
pub(super) fn write(forms: &[Guess], beside: &[Guess], print: &[&str], page: &mut Page) {
    page.line("\n[header]");
    for guess in beside {
        let class = if guess.list == "control" { "control material" } else { "urgent work" };
        page.ask(format!(
            "a line like {} seems to mean {class}, and this form does not load beside the others, which read past \
             that: how do they differ?",
            text(&guess.form)
        ));
    }
    for (list, class) in [("lines", ""), ("control", "control material"), ("urgent", "urgent work")]
    {
        let own: Vec<&Guess> = forms.iter().filter(|guess| guess.list == list).collect();
        if own.is_empty() && beside.iter().any(|guess| guess.list == list) {
            continue;
        }
        if own.is_empty() && list != "lines" {
            page.ask(lacks(class, print));
            continue;
        }
        page.line(format!("{list} = ["));
        for guess in own {
            guess.write(page);
        }
        page.line("]");
    }
}

/// What is asked where no form means a class.
fn lacks(class: &str, print: &[&str]) -> String {
    let said: BTreeSet<&str> = print
        .iter()
        .flat_map(|line| words::classes(line))
        .filter(|(.., called)| *called == class)
        .map(|(word, ..)| word)
        .collect();
    if said.is_empty() {
        return match class {
            "control material" => {
                format!("no line was seen that means {class}: how does the print say so?")
            }
            _ => format!("no line was seen that means {class}: does the print say so?"),
        };
    }
    format!(
        "no form here means {class}, and the print has {}: does that say so? Then its line is a form of {}",
        few(&said.into_iter().collect::<Vec<_>>()),
        if class == "urgent work" { "urgent" } else { "control" }
    )
}

impl Guess {
    fn write(&self, page: &mut Page) {
        if !self.ask.is_empty() {
            page.line(format!("    # ? {}", self.ask));
        }
        for (word, class) in &self.classes {
            let own = if *class == "urgent work" { "urgent" } else { "control" };
            if self.list != own {
                page.line(format!(
                    "    # ? does {} in such a line mean {class}? Then it needs a form of its own in {own}",
                    few(&[word])
                ));
            }
        }
        page.line(format!("    {},", text(&self.form)));
    }
}
