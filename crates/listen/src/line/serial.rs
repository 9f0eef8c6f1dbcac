//! Serial ports: opened for us alone, raw, with every damaged byte marked rather than dropped.

use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags};
use rustix::termios::{InputModes, OptionalActions, tcgetattr, tcsetattr};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{ClearBuffer, SerialPort, SerialStream, StopBits};

use super::parmrk::Decoder;
use super::spec::LineSpec;
use super::{CHUNK, Got};

/// An open serial port.
pub(super) struct Serial {
    stream: SerialStream,
    /// Another descriptor of the port, which can be borrowed safely.
    control: OwnedFd,
    decoder: Decoder,
}

impl Serial {
    /// Opening waits in the kernel, so it is done where waiting hurts nobody.
    pub async fn open(spec: &LineSpec, path: &Path) -> io::Result<Serial> {
        let (spec, path) = (spec.clone(), path.to_owned());
        let (stream, control) = tokio::task::spawn_blocking(move || open(&spec, &path)).await??;
        Ok(Serial { stream, control, decoder: Decoder::default() })
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
            let broke = self.decoder.decode(raw, bytes, flaws);
            // Half an escape is no byte yet.
            if bytes.len() > before {
                return Ok(if broke { Got::Break } else { Got::Bytes });
            }
        }
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

impl Drop for Serial {
    fn drop(&mut self) {
        // Closing waits up to half a minute for output that a dead line will never take.
        let _ = self.stream.clear(ClearBuffer::Output);
    }
}

fn open(spec: &LineSpec, path: &Path) -> io::Result<(SerialStream, OwnedFd)> {
    // Resolved at every opening: the stable name may point at another node after replugging.
    let node = path.canonicalize().map_err(|error| about("opening", path, &error))?;
    let control = rustix::fs::open(
        &node,
        OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC,
        Mode::empty(),
    )
    .map_err(|error| about("opening", path, &error.into()))?;
    let (data_bits, parity) = spec.bits();
    let builder = tokio_serial::new(node.to_string_lossy(), spec.speed)
        .data_bits(data_bits)
        .parity(parity)
        .stop_bits(StopBits::One)
        .flow_control(spec.flow_control());
    let stream = SerialStream::open(&builder)
        .map_err(|error| about("taking for ourselves and setting", path, &error.into()))?;
    // Last, because each of the settings above rewrites these flags. They belong to the port, not
    // to the descriptor, so the second one, which can be borrowed safely, serves.
    mark_damage(&control).map_err(|error| about("asking for marks on", path, &error))?;
    Ok((stream, control))
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
    let hint = match error.kind() {
        io::ErrorKind::NotFound => "; is the adapter plugged in?",
        io::ErrorKind::PermissionDenied => "; is this user in the port's group?",
        io::ErrorKind::ResourceBusy => "; another program has it open",
        _ => "",
    };
    io::Error::new(error.kind(), format!("{doing} {}: {error}{hint}", path.display()))
}
