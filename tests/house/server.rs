//! A ledger on a server: grants that a person takes away, passwords and TLS, and a schema that others still work with.

use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use sqlx::{AssertSqlSafe, Connection, Executor, Row};
use wickline::simulate::analyzer::{Sent, Style};

use crate::kit::{Daemon, Folder, ask, configuration, program, run, skipped, until};
use crate::several::Server;
use crate::way::{analyzer, pty, runtime, script};

/// Runs statements, and what the last of them answers with.
async fn sql(url: &str, statements: &[&str]) -> Option<String> {
    sqlx::any::install_default_drivers();
    let mut conn = sqlx::AnyConnection::connect(url).await.expect("the server lets us in");
    let mut answer = None;
    for statement in statements {
        let row = conn.fetch_optional(AssertSqlSafe((*statement).to_owned())).await;
        let row = row.unwrap_or_else(|e| panic!("{statement}: {e}"));
        answer = row.and_then(|row| row.try_get(0).ok());
    }
    conn.close().await.expect("closed");
    answer
}

/// A database whose owner is a role like any other, and the addresses of it for that role and for its server's owner.
async fn clinic(server: &Server) -> (String, String) {
    let role = "CREATE ROLE clinic LOGIN PASSWORD 'a:s3cret'";
    sql(&server.url, &[role, "CREATE DATABASE clinic OWNER clinic"]).await;
    let owner = server.url.replace("/postgres", "/clinic");
    let owner = if owner.ends_with("/clinic") { owner } else { panic!("{owner}") };
    (owner.replacen("wickline@", "clinic@", 1), owner)
}

fn bench(folder: &Folder, name: &str, line: &str, ledger: &str) -> PathBuf {
    let text = configuration(line, "lis02", "ten-pad", "dir:out", "")
        .replace("sqlite:ledger.db", ledger)
        .replace("tape.db", &format!("{name}.db"))
        .replace("bench-1", name)
        .replace("[[analyzer]]", "[console]\nlisten = \"127.0.0.1:0\"\n[[analyzer]]");
    folder.write(&format!("{name}.toml"), &text)
}

fn get(address: &str, path: &str) -> String {
    use std::io::{Read, Write};
    let mut stream = std::net::TcpStream::connect(address).expect("the console");
    let ask = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("asked");
    let mut page = String::new();
    stream.read_to_string(&mut page).expect("answered");
    page
}

fn console(ready: &serde_json::Value) -> String {
    ready["console"].as_str().expect("its console").to_owned()
}

#[test]
fn a_grant_that_is_lost_is_told_and_the_lines_are_heard_all_the_same() {
    let Some(server) = Server::start("grants") else { return };
    let folder = Folder::new("grants");
    runtime().block_on(async {
        let (url, owner) = clinic(&server).await;
        let (port, line) = pty();
        let config = bench(&folder, "bench-1", &line, &url);
        let (daemon, ready) = Daemon::start_ready(&config);
        let place = console(&ready);
        until(|| get(&place, "/readyz").starts_with("HTTP/1.1 200"));
        sql(&owner, &["REVOKE INSERT ON report FROM clinic"]).await;
        let said = get(&place, "/readyz");
        assert!(said.starts_with("HTTP/1.1 503") && said.contains("report"), "{said}");
        sql(&owner, &["GRANT INSERT ON report TO clinic"]).await;
        let said = get(&place, "/readyz");
        assert!(said.starts_with("HTTP/1.1 200"), "{said}");
        assert_eq!(daemon.stop(), 0);
        // Started without any grant: nothing can be read into the ledger, and everything is heard.
        sql(&owner, &["REVOKE INSERT ON ALL TABLES IN SCHEMA public FROM clinic"]).await;
        let (daemon, ready) = Daemon::start_ready(&config);
        let place = console(&ready);
        let mut bench = analyzer(port, Style::Lis02);
        let mut sent = Vec::new();
        bench.run(&script(3, 5), |_, how| sent.push(how)).await.expect("the line holds");
        let confirmed = sent.iter().filter(|how| **how == Sent::Delivered).count();
        assert_eq!(confirmed, 3, "{sent:?}");
        let said = get(&place, "/readyz");
        assert!(said.starts_with("HTTP/1.1 503") && said.contains("permission denied"), "{said}");
        sql(&owner, &["GRANT INSERT ON ALL TABLES IN SCHEMA public TO clinic"]).await;
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 3);
        until(|| get(&place, "/readyz").starts_with("HTTP/1.1 200"));
        assert_eq!(daemon.stop(), 0);
    });
}

/// What an older program knew: as if the last step of the schema had not been made.
async fn older(url: &str) {
    let last =
        "DELETE FROM schema_version WHERE version = (SELECT max(version) FROM schema_version)";
    sql(url, &[last]).await;
}

#[test]
fn a_schema_is_not_changed_under_a_daemon_that_knows_no_other() {
    let Some(server) = Server::start("older") else { return };
    let folder = Folder::new("older-daemon");
    runtime().block_on(async {
        let (first, second) = (pty(), pty());
        let old = bench(&folder, "bench-1", &first.1, &server.url);
        let new = bench(&folder, "bench-2", &second.1, &server.url);
        let daemon = Daemon::start(&old);
        until(|| ask(&old, &["status"]).is_object());
        older(&server.url).await;
        // The tape of its own is there from a start with no ledger; the ledger is left alone.
        let mut later = Daemon::start_any(&new, |e| e["event"] == "ledger-away");
        let why = later.seen.last().expect("it was told")["why"].as_str().expect("why").to_owned();
        for word in ["still works with it", "wickline 0.", "Stop or upgrade that first"] {
            assert!(why.contains(word), "{word}: {why}");
        }
        later.wait_for(|e| e["event"] == "ready");
        let said = run(&new, &["ledger", "migrate"]);
        assert_ne!(said.status.code(), Some(0), "its own daemon has the tape");
        assert_eq!(later.stop(), 0);
        let done = run(&new, &["ledger", "migrate"]);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(3), "{said}");
        assert!(said.contains("still works with it"), "{said}");
        daemon.kill();
    });
}

/// Everything that an encrypted, named way to the ledger needs, with tools of others.
struct Closed {
    authority: PathBuf,
    passwords: PathBuf,
}

fn tool(folder: &Path, words: &str) -> bool {
    let done = Command::new("openssl").args(words.split(' ')).current_dir(folder).output();
    done.is_ok_and(|done| done.status.success())
}

/// Has the server take its role only under TLS and by its password.
async fn close(server: &Server, folder: &Folder) -> Option<Closed> {
    let host = server.url.split(['@', ':']).nth(2).expect("its address").to_owned();
    let key = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    let made = [
        format!("req -x509 {key} -days 2 -subj /CN=authority -keyout ca.key -out ca.pem"),
        format!("req {key} -subj /CN=ledger -keyout server.key -out server.csr"),
        "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile names \
         -out server.pem"
            .to_owned(),
    ];
    folder.write("names", &format!("subjectAltName=IP:{host}\n"));
    if !made.iter().all(|words| tool(&folder.0, words)) {
        skipped("openssl", "no openssl to make certificates with");
        return None;
    }
    let data = server.folder.join("data");
    for name in ["server.key", "server.pem"] {
        let to = data.join(name);
        std::fs::copy(folder.0.join(name), &to).expect("copied");
        std::fs::set_permissions(&to, std::fs::Permissions::from_mode(0o600)).expect("closed");
        let owner = std::fs::metadata(&data).expect("the server's folder");
        chown(&to, Some(owner.uid()), Some(owner.gid())).expect("given");
    }
    let rules = "hostssl all clinic 0.0.0.0/0 scram-sha-256\nhost all wickline 0.0.0.0/0 trust\n";
    std::fs::write(data.join("pg_hba.conf"), rules).expect("written");
    sql(
        &server.url,
        &[
            "ALTER SYSTEM SET ssl_cert_file = 'server.pem'",
            "ALTER SYSTEM SET ssl = on",
            "SELECT pg_reload_conf()::text",
        ],
    )
    .await;
    let passwords = folder.write("passwords", &format!("{host}:*:clinic:clinic:a\\:s3cret\n"));
    std::fs::set_permissions(&passwords, std::fs::Permissions::from_mode(0o600)).expect("closed");
    Some(Closed { authority: folder.0.join("ca.pem"), passwords })
}

#[test]
fn the_way_to_a_ledger_is_closed_by_its_parameters() {
    let Some(server) = Server::start("closed") else { return };
    let folder = Folder::new("closed");
    runtime().block_on(async {
        let (plain, owner) = clinic(&server).await;
        let Some(closed) = close(&server, &folder).await else { return };
        let secured =
            format!("{plain}?sslmode=verify-full&sslrootcert={}", closed.authority.display());
        let by_file = format!("{secured}&passfile={}", closed.passwords.display());
        let config = bench(&folder, "bench-1", "listen:127.0.0.1:0", &by_file);
        let daemon = Daemon::start(&config);
        let ours = "SELECT count(*)::text FROM pg_stat_ssl s JOIN pg_stat_activity a USING (pid) \
                    WHERE a.usename = 'clinic' AND s.ssl AND a.application_name LIKE 'wickline %'";
        until_some(&owner, ours).await;
        let checked = |config: &Path, variable: Option<&Path>| {
            let mut command = program();
            command.args(["--config", &config.to_string_lossy(), "check"]);
            if let Some(path) = variable {
                command.env("PGPASSFILE", path);
            }
            let done = command.output().expect("it can be run");
            let said = [done.stdout, done.stderr].concat();
            (done.status.code(), String::from_utf8_lossy(&said).into_owned())
        };
        let (code, said) = checked(&config, None);
        assert!(code == Some(0) && said.contains("good  store.ledger"), "{said}");
        // The same by the variable of Postgres' own tools.
        let other = bench(&folder, "bench-2", "listen:127.0.0.1:0", &secured);
        let (_, said) = checked(&other, None);
        assert!(said.contains("bad   store.ledger"), "without a password: {said}");
        let (_, said) = checked(&other, Some(&closed.passwords));
        assert!(said.contains("good  store.ledger"), "{said}");
        // Another authority, and a file that everybody can read.
        let stranger = crate::prove::root("fixtures/forward/tls/authority.pem");
        let strange =
            by_file.replace(&closed.authority.display().to_string(), &stranger.to_string_lossy());
        let (_, said) = checked(&bench(&folder, "bench-3", "listen:127.0.0.1:0", &strange), None);
        assert!(said.contains("bad   store.ledger") && !said.contains("s3cret"), "{said}");
        let open = std::fs::Permissions::from_mode(0o644);
        std::fs::set_permissions(&closed.passwords, open).expect("opened");
        let (code, said) = checked(&config, None);
        assert!(code == Some(2) && said.contains("mode 0644"), "{said}");
        assert_eq!(daemon.stop(), 0);
    });
}

async fn until_some(url: &str, counted: &str) {
    let end = tokio::time::Instant::now() + Duration::from_secs(60);
    while sql(url, &[counted]).await.is_none_or(|count| count == "0") {
        assert!(tokio::time::Instant::now() < end, "it did not come about: {counted}");
    }
}
