//! One alarm on its way: a POST, or a mail by a command. Bounded in time; what is answered is not read.

use std::process::Stdio;
use std::time::Duration;

use axum::http::{Request, header};
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use rustix::process::{Pid, Signal, kill_process_group};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::Command;
use wickline_forward::deliver::{Address, Opened};

use super::words::Message;
use crate::address::masked_line;
use crate::settings::bench::{Alarm, To};

/// How long one may take in all, and to connect to each address of a name.
const PATIENCE: Duration = Duration::from_secs(30);
const CONNECT: Duration = Duration::from_secs(10);
/// Bytes of what a command complains of.
const SAID: u64 = 400;
/// What stands in it for a word of the command, and how short such a word may be: a shorter one is no secret.
const UNSHOWN: &str = "***";
const LEAST: usize = 4;

/// Sends it. The error says why it did not arrive, or may not have.
pub async fn send(alarm: &Alarm, message: &Message<'_>) -> Result<(), String> {
    let sent = async {
        match &alarm.to {
            To::Web { address, host, target } => {
                posted(address, host, target, message.json().to_string()).await
            }
            To::Mail { to, command } => mailed(command, message.mail(to)).await,
        }
    };
    let late = |_| format!("no answer within {} s", PATIENCE.as_secs());
    tokio::time::timeout(PATIENCE, sent).await.map_err(late)?
}

/// Taken is what is answered with 2xx (RFC 9110); nobody is followed elsewhere.
async fn posted(address: &Address, host: &str, target: &str, body: String) -> Result<(), String> {
    let stream = Opened::connect(address, CONNECT).await?;
    let broken = |e: hyper::Error| format!("{host}: {e}");
    let (mut asks, carry) = http1::handshake(TokioIo::new(stream)).await.map_err(broken)?;
    let request = Request::post(target)
        .header(header::HOST, host)
        .header(header::CONTENT_TYPE, "application/json")
        .header(header::USER_AGENT, concat!("wickline/", env!("CARGO_PKG_VERSION")))
        .body(body)
        .map_err(|e| e.to_string())?;
    let asked = asks.send_request(request);
    tokio::pin!(asked, carry);
    let answer = tokio::select! {
        biased;
        answer = &mut asked => answer,
        _ = &mut carry => asked.await,
    };
    let status = answer.map_err(broken)?.status();
    match status.is_success() {
        true => Ok(()),
        false => Err(format!("{host} answered {status}; taken is what is answered with 2xx")),
    }
}

/// A command and whatever it started: gone when this is.
struct Group(Option<Pid>);

impl Drop for Group {
    fn drop(&mut self) {
        if let Some(pid) = self.0 {
            let _ = kill_process_group(pid, Signal::KILL);
        }
    }
}

/// Runs a command of the configuration with the mail as its input. It gets nothing of our environment but a path.
async fn mailed(command: &[String], mail: String) -> Result<(), String> {
    let (program, arguments) = command.split_first().ok_or("no command")?;
    let wrong = |e: std::io::Error| format!("{program}: {e}");
    let mut child = Command::new(program)
        .args(arguments)
        .env_clear()
        .env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin")
        .current_dir("/")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .process_group(0)
        .kill_on_drop(true)
        .spawn()
        .map_err(wrong)?;
    let pid = child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw);
    let mut group = Group(pid);
    let (stdin, stderr) = (child.stdin.take(), child.stderr.take());
    let write = async {
        if let Some(mut stdin) = stdin {
            // Whether it took the mail it says by how it ends.
            let _ = stdin.write_all(mail.as_bytes()).await;
        }
    };
    let mut said = Vec::new();
    let read = async {
        if let Some(stderr) = stderr {
            let _ = stderr.take(SAID).read_to_end(&mut said).await;
        }
    };
    let status = {
        let both = async { tokio::join!(write, read) };
        tokio::pin!(both);
        let ended = tokio::select! {
            ended = child.wait() => Some(ended),
            _ = &mut both => None,
        };
        match ended {
            None => child.wait().await,
            // What it complained of is there already; what it left running may hold the pipe for ever.
            Some(ended) => {
                let _ = tokio::time::timeout(Duration::from_millis(200), both).await;
                ended
            }
        }
    };
    let status = status.map_err(wrong)?;
    // What it left running delivers for it.
    group.0 = None;
    if status.success() {
        return Ok(());
    }
    let said = complaint(&said, arguments);
    Err(format!("{program}: {status}: {said}").trim_end_matches([':', ' ']).to_owned())
}

/// What a command complains of, in one line for the log: of the words that it was given, which may be passwords, and of
/// addresses no more than elsewhere, and nothing that a terminal obeys.
fn complaint(said: &[u8], given: &[String]) -> String {
    let plain = |c: char| c.is_alphanumeric() || c.is_ascii_graphic();
    let text: String =
        String::from_utf8_lossy(said).chars().map(|c| if plain(c) { c } else { ' ' }).collect();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut words: Vec<&str> = given.iter().flat_map(|word| word.split(['=', ' '])).collect();
    words.retain(|word| word.chars().count() >= LEAST);
    // The longest first: one may be the beginning of another.
    words.sort_unstable_by_key(|word| std::cmp::Reverse(word.len()));
    let text = words.iter().fold(text, |text, word| text.replace(word, UNSHOWN));
    text.split(' ').map(masked_line).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::complaint;

    #[test]
    fn a_complaint_gives_no_word_away_and_steers_nothing() {
        let given = ["-p".to_owned(), "--auth=sunny-day".to_owned(), "sunny".to_owned()];
        let told =
            complaint(b"535 no:\tsunny-day\r\n\x1b[31m at -p \xff\xe2\x80\xae sunny", &given);
        assert_eq!(told, "535 no: *** [31m at -p \u{fffd} ***".replace("\u{fffd} ", ""));
        let address = complaint(b"cannot reach postgres://u:secret@db/x", &[]);
        assert!(address.starts_with("cannot reach ") && !address.contains("secret"), "{address}");
    }
}
