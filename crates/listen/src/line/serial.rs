//! Serial ports: opened for us alone, raw, with every damaged byte marked rather than dropped.

use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::termios::{InputModes, OptionalActions, tcgetattr, tcsetattr};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{ClearBuffer, SerialPort, SerialStream, StopBits};

use super::holder::Places;
use super::parmrk::Decoder;
use super::spec::LineSpec;
use super::trouble::{Counts, Trouble};
use super::{CHUNK, Got, opening};

/// An open serial port.
pub(super) struct Serial {
    stream: SerialStream,
    /// Another descriptor of the port, which can be borrowed safely.
    control: OwnedFd,
    decoder: Decoder,
    counts: Counts,
}

impl Serial {
    pub async fn open(spec: &LineSpec, path: &Path) -> io::Result<Serial> {
        let (spec, path) = (spec.clone(), path.to_owned());
        let port = path.clone();
        let work = move || open(&spec, &port);
        let (stream, control) = opening::within(opening::LIMIT, &path, work).await?;
        let (decoder, counts) = (Decoder::default(), Counts::default());
        Ok(Serial { stream, control, decoder, counts })
    }

    pub async fn read(&mut self, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> io::Result<Got> {
        let (before, mut chunk) = (bytes.len(), [0; CHUNK]);
        loop {
            let count = match AsyncReadExt::read(&mut self.stream, &mut chunk).await {
                // A hung-up port reads as empty for ever, the far side of a pty as an error.
                Ok(0) => return Ok(Got::Closed),
                Err(error)
                    if error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) =>
                {
                    return Ok(Got::Closed);
                }
                other => other?,
            };
            let raw = chunk.get(..count).unwrap_or_default();
            let known = flaws.len();
            let broke = self.decoder.decode(raw, bytes, flaws);
            tally(bytes, flaws.get(known..).unwrap_or_default(), &mut self.counts);
            // Half an escape is no byte yet.
            if bytes.len() > before {
                return Ok(if broke { Got::Break } else { Got::Bytes });
            }
        }
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Sets the open port anew; what was heard before goes.
    pub fn reset(&mut self, spec: &LineSpec) -> io::Result<()> {
        let (data_bits, parity) = spec.bits();
        self.stream.set_baud_rate(spec.speed)?;
        self.stream.set_data_bits(data_bits)?;
        self.stream.set_parity(parity)?;
        mark_damage(&self.control)?;
        self.stream.clear(ClearBuffer::Input)?;
        self.decoder = Decoder::default();
        Ok(())
    }

    pub async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        AsyncWriteExt::write_all(&mut self.stream, bytes).await
    }
}

/// Counts what the driver marked: a break, or a byte with an error.
pub(super) fn tally(bytes: &[u8], flaws: &[usize], counts: &mut Counts) {
    for index in flaws {
        let is_break = bytes.get(*index) == Some(&0);
        counts.add(if is_break { Trouble::Break } else { Trouble::Damage }, 1);
    }
}

impl Drop for Serial {
    fn drop(&mut self) {
        // Closing waits up to half a minute for output that a dead line will never take.
        let _ = self.stream.clear(ClearBuffer::Output);
    }
}

fn open(spec: &LineSpec, path: &Path) -> io::Result<(SerialStream, OwnedFd)> {
    // Resolved at every opening: the stable name may point at another node after replugging.
    let node = path.canonicalize().map_err(|error| about("opening", path, &error))?;
    let control = take(&node, path)?;
    let (data_bits, parity) = spec.bits();
    let builder = tokio_serial::new(node.to_string_lossy(), spec.speed)
        .data_bits(data_bits)
        .parity(parity)
        .stop_bits(StopBits::One)
        .flow_control(spec.flow_control());
    let mut stream = SerialStream::open(&builder)
        .map_err(|error| about("taking for ourselves and setting", path, &error.into()))?;
    if let Some(level) = spec.dtr {
        stream.write_data_terminal_ready(level).map_err(|e| no_modem("DTR", path, e.into()))?;
    }
    if let Some(level) = spec.rts {
        stream.write_request_to_send(level).map_err(|e| no_modem("RTS", path, e.into()))?;
    }
    // Last, because each of the settings above rewrites these flags. They belong to the port, not
    // to the descriptor, so the second one, which can be borrowed safely, serves.
    mark_damage(&control).map_err(|error| about("asking for marks on", path, &error))?;
    Ok((stream, control))
}

/// Opens a port that nobody else has. The lock is given back at once: the descriptor that is read from takes it, and
/// one that fails to would open the port to everybody (it takes away `TIOCEXCL`, whosever that is).
fn take(node: &Path, path: &Path) -> io::Result<OwnedFd> {
    if let Some(holder) = Places::default().holder(node, path) {
        return Err(held(path, &holder));
    }
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let control = rustix::fs::open(node, flags, Mode::empty())
        .map_err(|error| about("opening", path, &error.into()))?;
    match flock(&control, FlockOperation::NonBlockingLockExclusive) {
        Err(rustix::io::Errno::WOULDBLOCK) => {
            let holder = Places::default().holder(node, path);
            return Err(held(path, &holder.unwrap_or_else(|| hidden(node))));
        }
        Err(error) => return Err(about("locking", path, &error.into())),
        Ok(()) => flock(&control, FlockOperation::Unlock)?,
    }
    Ok(control)
}

/// A line is not heard in other settings than it was given.
fn no_modem(what: &str, path: &Path, error: io::Error) -> io::Error {
    let (path, key) = (path.display(), what.to_lowercase());
    let text =
        format!("setting {what} of {path}: {error}; a port without it has {key} = \"leave\"");
    io::Error::new(error.kind(), text)
}

/// Whoever has a port and cannot be seen.
fn hidden(node: &Path) -> String {
    let node = node.display();
    format!("a program that this user cannot see; as root, `fuser -v {node}` names it")
}

fn held(path: &Path, holder: &str) -> io::Error {
    let text = format!("opening {}: it is held by {holder}", path.display());
    io::Error::new(io::ErrorKind::ResourceBusy, text)
}

/// Every damaged byte and every break is to be marked; none is to be dropped or changed.
fn mark_damage(port: &impl std::os::fd::AsFd) -> io::Result<()> {
    let mut settings = tcgetattr(port)?;
    settings.input_modes |= InputModes::INPCK | InputModes::PARMRK;
    settings.input_modes -=
        InputModes::IGNPAR | InputModes::IGNBRK | InputModes::BRKINT | InputModes::ISTRIP;
    tcsetattr(port, OptionalActions::Now, &settings)?;
    Ok(())
}

fn about(doing: &str, path: &Path, error: &io::Error) -> io::Error {
    let path: PathBuf = path.into();
    if error.kind() == io::ErrorKind::ResourceBusy {
        return held(&path, &hidden(&path));
    }
    let hint = match error.kind() {
        io::ErrorKind::NotFound => "; is the adapter plugged in?",
        io::ErrorKind::PermissionDenied => "; is this user in the port's group?",
        _ => "",
    };
    io::Error::new(error.kind(), format!("{doing} {}: {error}{hint}", path.display()))
}
