//! Writes an OpenEXR file strip by strip, so that the picture need not be in memory as a whole.
use super::attributes::header_bytes;
use super::blocks::{BLOCK_ROWS, block, zip_block};
use super::{Attributes, Channel, ChannelRows, Scheme};
use crate::staged::{Outputs, WriteSeek, write_whole_seekable};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::io::{self, SeekFrom};
use std::ops::Range;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use stopspan_core::Error;

/// Size, channels in any order, and header attributes of a file to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Rows, at least 1.
    pub rows: usize,
    /// Columns, at least 1.
    pub columns: usize,
    /// Channels, in the order in which the source delivers them.
    pub channels: Vec<Channel>,
    /// Header attributes.
    pub attributes: Attributes,
    /// Compression scheme.
    pub scheme: Scheme,
}

/// Writes `path` completely or not at all. `source` is called for strips of 16 rows (the last may be shorter) from
/// several threads of the current rayon pool, and returns the samples of these rows for every channel. A few strips
/// for each thread are in memory at a time. The bytes do not depend on the number of threads.
///
/// # Errors
/// As [`write_whole_seekable`]; `InvalidInput` inside if the layout cannot be written (no channels, names empty, equal
/// or longer than 255 bytes, sides beyond 2^31) or `source` delivers other kinds or numbers of samples than promised.
pub fn write(
    path: &Path,
    policy: &Outputs,
    layout: &Layout,
    source: impl Fn(Range<usize>) -> Vec<ChannelRows> + Sync,
) -> Result<(), Error> {
    write_whole_seekable(path, policy, |sink| write_to(sink, layout, &source))
}

/// Writes the same bytes to any seekable sink.
pub(super) fn write_to(
    sink: &mut dyn WriteSeek,
    layout: &Layout,
    source: &(impl Fn(Range<usize>) -> Vec<ChannelRows> + Sync),
) -> io::Result<()> {
    let order = order_of(layout)?;
    let sorted: Vec<Channel> = order.iter().map(|&k| layout.channels[k].clone()).collect();
    let size = (side(layout.rows)?, side(layout.columns)?);
    let head = header_bytes(&layout.attributes, size, &sorted, layout.scheme);
    let strips = layout.rows.div_ceil(BLOCK_ROWS);
    sink.write_all(&head)?;
    sink.write_all(&vec![0; 8 * strips])?;

    let next = AtomicUsize::new(0);
    let blocks = InOrder {
        waiting: Mutex::default(),
        table: Mutex::new(Table {
            place: (head.len() + 8 * strips) as u64,
            offsets: Vec::with_capacity(8 * strips),
            written: Ok(0),
            sink,
        }),
    };
    let threads = rayon::current_num_threads();
    (0..threads).into_par_iter().with_max_len(1).for_each(|_| {
        loop {
            let strip = next.fetch_add(1, Ordering::Relaxed);
            if strip >= strips || blocks.failed() {
                return;
            }
            let block = coded_strip(layout, &order, strip, source);
            blocks.take(strip, block, 4 * threads);
        }
    });
    let table = blocks.finish();
    table.written?;
    table.sink.seek(SeekFrom::Start(head.len() as u64))?;
    table.sink.write_all(&table.offsets)
}

/// Blocks encoded on several threads and written in order, by whichever thread completes the next one.
struct InOrder<'a> {
    waiting: Mutex<BTreeMap<usize, io::Result<Vec<u8>>>>,
    table: Mutex<Table<'a>>,
}

impl<'a> InOrder<'a> {
    /// Accepts a block and writes those that are next, unless another thread is writing. If `many` blocks are waiting
    /// for a slow sink, the thread waits for its turn.
    fn take(&self, strip: usize, block: io::Result<Vec<u8>>, many: usize) {
        let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.insert(strip, block);
        let crowded = waiting.len() >= many;
        drop(waiting);
        let turn = if crowded {
            self.table.lock().ok()
        } else {
            self.table.try_lock().ok()
        };
        if let Some(mut table) = turn {
            self.write(&mut table);
        }
    }

    /// Writes the blocks that are next in order.
    fn write(&self, table: &mut Table) {
        while let Ok(strip) = table.written {
            let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
            let Some(block) = waiting.remove(&strip) else {
                return;
            };
            drop(waiting);
            let written = block.and_then(|block| table.append(&block));
            table.written = written.map(|()| strip + 1);
        }
    }

    fn failed(&self) -> bool {
        self.table.try_lock().is_ok_and(|t| t.written.is_err())
    }

    /// Writes the remaining blocks.
    fn finish(self) -> Table<'a> {
        let table = self.table.lock();
        self.write(&mut table.unwrap_or_else(PoisonError::into_inner));
        let table = self.table.into_inner();
        table.unwrap_or_else(PoisonError::into_inner)
    }
}

/// The blocks written and their offsets in the file.
struct Table<'a> {
    sink: &'a mut dyn WriteSeek,
    place: u64,
    offsets: Vec<u8>,
    /// Number of blocks written, or the error that stopped writing.
    written: io::Result<usize>,
}

impl Table<'_> {
    fn append(&mut self, block: &[u8]) -> io::Result<()> {
        self.sink.write_all(block)?;
        self.offsets.extend(self.place.to_le_bytes());
        self.place += block.len() as u64;
        Ok(())
    }
}

/// One strip, encoded, preceded by its row number and length.
fn coded_strip(
    layout: &Layout,
    order: &[usize],
    strip: usize,
    source: &(impl Fn(Range<usize>) -> Vec<ChannelRows> + Sync),
) -> io::Result<Vec<u8>> {
    let first = strip * BLOCK_ROWS;
    let rows = first..layout.rows.min(first + BLOCK_ROWS);
    let samples = source(rows.clone());
    let promised = samples.len() == layout.channels.len()
        && samples
            .iter()
            .zip(&layout.channels)
            .all(|(s, channel)| s.kind() == channel.kind && s.len() == rows.len() * layout.columns);
    if !promised {
        return Err(invalid("a strip that is not what the layout promises"));
    }
    let sorted: Vec<&ChannelRows> = order.iter().map(|&k| &samples[k]).collect();
    let data = match layout.scheme {
        Scheme::Pxr24 => block(&sorted, 0..rows.len(), layout.columns),
        Scheme::Zip => zip_block(&sorted, 0..rows.len(), layout.columns),
    };
    let length = i32::try_from(data.len()).map_err(|_| invalid("a strip beyond 2 GiB"))?;
    let mut out = Vec::with_capacity(data.len() + 8);
    out.extend((first as i32).to_le_bytes());
    out.extend(length.to_le_bytes());
    out.extend(data);
    Ok(out)
}

/// Indices of the channels in alphabetical order, as the format requires.
fn order_of(layout: &Layout) -> io::Result<Vec<usize>> {
    let name = |k: usize| layout.channels[k].name.as_bytes();
    let mut order: Vec<usize> = (0..layout.channels.len()).collect();
    order.sort_by_key(|&k| name(k));
    let custom = layout.attributes.custom.keys().map(|n| n.as_bytes());
    let good = |n: &[u8]| (1..=255).contains(&n.len()) && !n.contains(&0);
    let distinct = order.windows(2).all(|w| name(w[0]) != name(w[1]));
    if order.is_empty() || !distinct || !order.iter().map(|&k| name(k)).chain(custom).all(good) {
        return Err(invalid("channel or attribute names that cannot be written"));
    }
    Ok(order)
}

fn side(length: usize) -> io::Result<i32> {
    i32::try_from(length)
        .ok()
        .filter(|&n| n > 0)
        .ok_or(invalid("a side that cannot be written"))
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}
