//! The pages in another language than the commands: whatever is ours on them is said in the reader's own.

use std::path::Path;

use crate::controls::{HOLD, config, connect, send};
use crate::kit::{Daemon, Folder, ask, run, until};
use crate::pages::{Browser, let_in};
use crate::way::runtime;

/// Words without which no English sentence is made, and which no Portuguese one has.
const ENGLISH: [&str; 41] = [
    "the", "of", "is", "was", "were", "are", "and", "by", "not", "it", "its", "this", "that",
    "with", "from", "has", "have", "nothing", "which", "been", "will", "who", "what", "when",
    "where", "or", "be", "on", "at", "until", "since", "waiting", "held", "report", "reports",
    "specimen", "receiver", "set", "due", "signed", "runs",
];

/// What somebody reads of a page: without its tags, without commands, and without what says of itself that it is
/// English, which machines and stores wrote.
fn read(body: &str) -> Vec<String> {
    let mut texts = Vec::new();
    let mut rest = body.split_once("<main").map_or(body, |(_, main)| main);
    while let Some((text, tag)) = rest.split_once('<') {
        texts.push(text.to_owned());
        let (tag, after) = tag.split_once('>').unwrap_or((tag, ""));
        let skipped = match tag.split([' ', '>']).next().unwrap_or("") {
            "code" => "</code>",
            "script" => "</script>",
            "style" => "</style>",
            _ if tag.contains("lang=\"en\"") => "</bdi>",
            _ => "",
        };
        rest = match skipped {
            "" => after,
            end => after.split_once(end).map_or("", |(_, after)| after),
        };
    }
    texts.push(rest.to_owned());
    let bare = |text: &String| text.split('`').step_by(2).collect::<Vec<_>>().join(" ");
    texts.iter().map(bare).map(|text| text.trim().to_owned()).filter(|t| !t.is_empty()).collect()
}

fn english(body: &str) -> Vec<String> {
    let is_word = |word: &str| ENGLISH.contains(&word.to_lowercase().as_str());
    let says = |text: &String| text.split(|c: char| !c.is_alphabetic()).any(is_word);
    // A line as it was heard has its controls by their names between angles.
    read(body).into_iter().filter(|text| !text.contains("&#60;")).filter(says).collect()
}

#[test]
fn what_is_english_is_found() {
    let page = "<main><p>Nada</p><p lang=\"en\"><bdi>it was cut off</bdi></p><p>a day is over</p> `wickline held`";
    assert_eq!(english(page), ["a day is over"]);
}

/// Everything that a page says of a bench on which much is wrong.
async fn busy(config: &Path, daemon: &mut Daemon) {
    let mut bench = connect(daemon).await;
    for (number, specimen, glucose) in [
        ("1", "QC-L1", 0),
        ("2", "KP-20417", 0),
        ("4", "", 1),
        ("5", "KP-20418", 1),
        ("6", "QC-L2", 0),
        ("7", "KP-20419", 1),
    ] {
        send(&mut bench, number, specimen, glucose).await;
    }
    for _ in 0..6 {
        daemon.wait_for(|e| e["event"] == "report");
    }
    until(|| ask(config, &["held"])["items"].as_array().is_some_and(|items| items.len() >= 3));
    for words in [
        &["queue", "pause", "lis", "--as", "J. Mast"][..],
        &["held", "release", "4", "--reason", "zeta", "--as", "J. Mast"],
        &["held", "set-aside", "6", "--reason", "zeta", "--as", "J. Mast"],
        &["undo", "6", "--reason", "zeta", "--as", "J. Mast"],
        &["held", "release", "3", "--reason", "zeta", "--as", "J. Mast"],
        &["care", "sign", "Tabuleiro", "--as", "J. Mast"],
        &["care", "strike", "1", "--reason", "zeta", "--as", "J. Mast"],
        &["day", "explain", "3", "--analyzer", "bench-1", "--reason", "zeta", "--as", "J. Mast"],
        &["controls", "note", "1", "--reason", "zeta", "--as", "J. Mast"],
        &["controls", "lot", "bench-1", "Z-9", "--last-day", "2099-01-01", "--as", "J. Mast"],
    ] {
        let done = run(config, words);
        assert!(done.status.code().is_some_and(|code| code <= 2), "{words:?}: {done:?}");
    }
}

#[test]
fn pages_are_in_the_language_of_who_reads_them() {
    let folder = Folder::new("tongues");
    let bare = std::fs::read_to_string(config(&folder, HOLD)).expect("a configuration");
    let more = "[[care]]\nname = \"Tabuleiro\"\nevery = \"day\"\n[[care]]\nname = \"Frasco\"\nevery = \"canister\"\n\
                [[receiver]]\nid = \"longe\"\naddress = \"mllp://127.0.0.1:1\"\n[[alarm]]\nid = \"ops\"\n\
                to = \"http://127.0.0.1:1/\"\nafter_minutes = 0\n";
    let config = folder.write("tongues.toml", &format!("{bare}\n{more}"));
    runtime().block_on(async {
        let (mut daemon, ready) = Daemon::start_ready(&config);
        daemon.lines = vec![ready["lines"][0]["address"].as_str().expect("an address").into()];
        let console = ready["console"].as_str().expect("the console").to_owned();
        busy(&config, &mut daemon).await;
        let mut pt: Browser = let_in(&config, &console, "J. Mast", "keeper");
        pt.more = "Accept-Language: pt\r\n".to_owned();
        let en = Browser { more: String::new(), ..pt.clone() };
        let mut left: Vec<String> = Vec::new();
        for path in [
            "/today",
            "/held",
            "/held/3",
            "/held/2",
            "/report/1",
            "/report/2",
            "/report/4",
            "/report/6",
            "/queue",
            "/day",
            "/controls",
            "/trail",
            "/people",
            "/care",
            "/line",
        ] {
            let mut page = pt.get(path);
            if page.code == 303 {
                let to = page.head.lines().find_map(|line| line.strip_prefix("location: "));
                page = pt.get(to.expect("a place"));
            }
            assert!(page.body.contains("lang=\"pt\""), "{path}: {}", page.head);
            left.extend(english(&page.body).into_iter().map(|text| format!("{path}: {text}")));
        }
        assert!(english(&en.get("/today").body).len() > 10, "the words would be found");
        // What an act refuses is said there, too, and sends nobody to a terminal.
        let day = pt.get("/day").head;
        let day =
            day.lines().find_map(|line| line.strip_prefix("location: ")).expect("a day").to_owned();
        let (explain, close) = (format!("{day}/explain"), format!("{day}/close"));
        for (page, path, fields) in [
            ("/held/3", "/held/3/identify", &[("specimen", "KP-1"), ("again", "KP-2")][..]),
            ("/held/2", "/held/2/decide", &[("reason", "zeta"), ("decision", "new-run")]),
            ("/report/4", "/report/4/undo", &[("reason", "zeta")]),
            ("/report/4", "/report/4/withdraw", &[("reason", "zeta")]),
            (&day, &explain, &[("reason", "zeta"), ("numbers", "99")]),
            (&day, &close, &[("last bench-1", "4")]),
            ("/queue", "/queue/set-aside", &[("reason", "zeta"), ("message", "zeta")]),
        ] {
            let refused = pt.send(&pt.get(page), path, fields);
            assert!((400..500).contains(&refused.code), "{path}: {}", refused.head);
            left.extend(english(&refused.body).into_iter().map(|text| format!("{path}: {text}")));
            assert!(!refused.body.contains("wickline report"), "{path}: {}", refused.body);
        }
        assert!(left.is_empty(), "{left:#?}");
        assert_eq!(daemon.stop(), 0);
    });
}
