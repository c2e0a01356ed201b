//! Unpacking ahead of the sums, in a thread of its own, for when cores would otherwise stand idle.
//!
//! Three volumes go round: one is being filled, one waits, one is being summed. The volumes and their order are those
//! of [`VolumeStream`] alone, and so are the results, to the bit.

use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use crate::digest::Volumes;
use crate::nifti::{Header, NiftiError, RawVolume, VolumeStream};

/// Volumes beside the one that the stream itself fills.
const BUFFERS: usize = 2;

/// What the thread hands over.
enum Handed {
    Volume(Vec<u8>),
    /// The file has been read and checked to its end; its content hash, hex.
    End(String),
    Failed(NiftiError),
}

/// A run's volumes, unpacked in another thread.
pub(super) struct Ahead {
    header: Header,
    /// None once reading is over.
    link: Option<Link>,
    current: Vec<u8>,
    content: Option<String>,
}

struct Link {
    full: Receiver<Handed>,
    empty: SyncSender<Vec<u8>>,
    thread: JoinHandle<()>,
}

impl Ahead {
    /// Opens a run and begins to unpack it; none when no thread can be had for it.
    pub(super) fn open(path: &Path) -> Result<Option<Self>, NiftiError> {
        let stream = VolumeStream::open(path)?;
        let header = stream.header().clone();
        let (full_in, full) = sync_channel(BUFFERS);
        let (empty, empty_out) = sync_channel(BUFFERS);
        for _ in 0..BUFFERS - 1 {
            // The channel has room for it.
            let _ = empty.send(Vec::new());
        }
        let unpacking = move || unpack(stream, &full_in, &empty_out);
        let Ok(thread) = thread::Builder::new().spawn(unpacking) else { return Ok(None) };
        // The last buffer is the one in hand. It goes back when the first volume is asked for.
        Ok(Some(Self { header, link: Some(Link { full, empty, thread }), current: Vec::new(), content: None }))
    }

    /// The next volume, or none after the last.
    fn next_volume(&mut self) -> Result<Option<RawVolume<'_>>, NiftiError> {
        let Some(link) = &self.link else { return Ok(None) };
        // A thread that has ended left its last message in the other channel.
        let _ = link.empty.send(std::mem::take(&mut self.current));
        match link.full.recv() {
            Ok(Handed::Volume(bytes)) => {
                self.current = bytes;
                Ok(Some(self.header.volume(&self.current)))
            }
            Ok(Handed::End(content)) => {
                self.content = Some(content);
                self.link = None;
                Ok(None)
            }
            Ok(Handed::Failed(error)) => {
                self.link = None;
                Err(error)
            }
            Err(_) => {
                // It panicked. That is a fault of ours, and it goes on here as it would without the thread.
                if let Some(Err(panic)) = self.link.take().map(|link| link.thread.join()) {
                    std::panic::resume_unwind(panic);
                }
                Ok(None)
            }
        }
    }
}

/// Fills buffers until the file ends, something is wrong, or nobody listens any more.
fn unpack(mut stream: VolumeStream, full: &SyncSender<Handed>, empty: &Receiver<Vec<u8>>) {
    while let Ok(mut buffer) = empty.recv() {
        let handed = match stream.next_volume() {
            Ok(Some(_)) => {
                stream.swap_buffer(&mut buffer);
                Handed::Volume(buffer)
            }
            Ok(None) => match stream.content_hash() {
                Ok(hash) => Handed::End(hash.to_hex().to_string()),
                Err(error) => Handed::Failed(error),
            },
            Err(error) => Handed::Failed(error),
        };
        let over = !matches!(handed, Handed::Volume(_));
        if full.send(handed).is_err() || over {
            return;
        }
    }
}

impl Volumes for Ahead {
    fn header(&self) -> &Header {
        &self.header
    }

    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError> {
        let volume = self.next_volume()?;
        if let Some(volume) = &volume {
            volume.decode_runs(runs, out);
        }
        Ok(volume.is_some())
    }

    fn content_hash(&mut self) -> Result<String, NiftiError> {
        while self.content.is_none() && self.link.is_some() {
            self.next_volume()?;
        }
        Ok(self.content.clone().unwrap_or_default())
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::nifti::{Affine, ImageWriter, RunShape};

    fn a_run(folder: &Path, name: &str) -> PathBuf {
        let path = folder.join(name);
        let affine = Affine::scaling([3.0; 3]);
        let run = RunShape { shape: [5, 4, 3], frames: 37, slope: 0.5, inter: -3.0, affine, tr_s: Some(2.0) };
        let mut writer = ImageWriter::create(&path, &run, 1).unwrap();
        for frame in 0..37_i16 {
            let volume: Vec<i16> = (0..60).map(|voxel| voxel * 7 + frame * frame % 23 * (voxel % 5)).collect();
            writer.write_volume(&volume).unwrap();
        }
        writer.finish().unwrap();
        path
    }

    fn all(volumes: &mut dyn Volumes) -> Result<(Vec<Vec<f64>>, String), NiftiError> {
        let mut found = Vec::new();
        let mut values = vec![0.0; 60];
        while volumes.next_values(&[(0, 60)], &mut values)? {
            found.push(values.clone());
        }
        Ok((found, volumes.content_hash()?))
    }

    #[test]
    fn the_volumes_are_those_of_the_stream_alone() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["run.nii", "run.nii.gz"] {
            let path = a_run(folder.path(), name);
            let alone = all(&mut VolumeStream::open(&path).unwrap()).unwrap();
            assert_eq!(alone.0.len(), 37);
            assert_eq!(all(&mut Ahead::open(&path).unwrap().unwrap()).unwrap(), alone);
        }
    }

    #[test]
    fn what_is_wrong_is_said_alike() {
        let folder = tempfile::tempdir().unwrap();
        let path = a_run(folder.path(), "run.nii.gz");
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        let alone = all(&mut VolumeStream::open(&path).unwrap()).unwrap_err();
        assert_eq!(all(&mut Ahead::open(&path).unwrap().unwrap()).unwrap_err().to_string(), alone.to_string());
    }

    #[test]
    fn a_reading_may_be_given_up() {
        let folder = tempfile::tempdir().unwrap();
        let path = a_run(folder.path(), "run.nii");
        let mut ahead = Ahead::open(&path).unwrap().unwrap();
        assert!(ahead.next_volume().unwrap().is_some());
        let Link { full, empty, thread } = ahead.link.take().unwrap();
        drop((full, empty));
        thread.join().unwrap();
    }
}
