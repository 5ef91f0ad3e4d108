//! Stored codes to linear samples scaled to 16 bits: linearisation table, black and white levels.
use super::super::fault::Fault;
use super::directory::Directory;

const LINEARIZATION: u16 = 50712;
const BLACK_REPEAT: u16 = 50713;
const BLACK: u16 = 50714;
const BLACK_ACROSS: u16 = 50715;
const BLACK_DOWN: u16 = 50716;
const WHITE: u16 = 50717;

/// Conversion of codes to samples. Positions are relative to the first pixel of the active area.
pub(super) struct Levels {
    /// Linear code for every stored code (LinearizationTable); `None` for the identity.
    table: Option<Vec<u16>>,
    /// Factor from linear codes to samples.
    pub factor: f64,
    /// Mean black level of the sites (0, 0), (0, 1), (1, 0), (1, 1), one entry for each sample of a pixel, linear
    /// codes.
    pub black: Vec<[f64; 4]>,
    /// White level of each sample of a pixel, linear codes.
    pub white: Vec<f64>,
    /// Deviation of black from its site's mean, if it is not uniform.
    uneven: Option<Uneven>,
}

/// Black levels that vary over the picture.
struct Uneven {
    repeat: (usize, usize),
    pattern: Vec<f64>,
    across: Vec<f64>,
    down: Vec<f64>,
    black: Vec<[f64; 4]>,
}

impl Levels {
    /// Reads the tags. `samples` is the number of samples of a pixel, `bits` the width of a stored code.
    pub fn read(d: &Directory, samples: usize, bits: u32) -> Result<Levels, Fault> {
        let table = d.numbers(LINEARIZATION).map(|t| {
            let codes = t.iter().map(|&v| v.min(65535) as u16);
            codes.collect::<Vec<u16>>()
        });
        let table = table.filter(|t| !t.is_empty());
        let largest = match &table {
            Some(table) => table.iter().copied().max().unwrap_or(0),
            None => ((1u64 << bits.min(16)) - 1) as u16,
        };
        let stated = d.reals(WHITE).unwrap_or_default();
        let white: Vec<f64> = (0..samples)
            .map(|s| {
                *stated
                    .get(s)
                    .or(stated.first())
                    .unwrap_or(&f64::from(largest))
            })
            .collect();
        let (black, uneven) = black(d, samples)?;
        let top_black = black.iter().flatten().fold(0.0f64, |a, &b| a.max(b));
        let top_white = white.iter().fold(0.0f64, |a, &w| a.max(w));
        let sound = |v: &f64| v.is_finite() && (-65535.0..=65535.0).contains(v);
        if !white.iter().all(sound) || !black.iter().flatten().all(sound) {
            return Err(Fault::damaged("black or white levels that are no levels"));
        }
        if white.iter().any(|&w| w <= top_black) {
            return Err(Fault::damaged(format!(
                "the black level ({top_black}) is not below the white level ({top_white})"
            )));
        }
        // Headroom of a factor of two, in case the file states a white level below the sensor's saturation.
        let room = f64::from(largest).min(2.0 * top_white + 1.0);
        Ok(Levels {
            table,
            factor: (65535.0 / room).floor().max(1.0),
            black,
            white,
            uneven,
        })
    }

    /// Sample of a stored code at a position in the active area.
    #[inline]
    pub fn sample(&self, code: u16, row: usize, column: usize, sample: usize) -> u16 {
        let linear = match &self.table {
            Some(table) => f64::from(table[usize::from(code).min(table.len() - 1)]),
            None => f64::from(code),
        };
        let moved = match &self.uneven {
            Some(uneven) => linear - uneven.at(row, column, sample, self.black.len()),
            None => linear,
        };
        (moved * self.factor).round().clamp(0.0, 65535.0) as u16
    }

    /// True if samples are just stored codes times [`Levels::factor`].
    pub fn plain(&self) -> bool {
        self.table.is_none() && self.uneven.is_none()
    }
}

impl Uneven {
    fn at(&self, row: usize, column: usize, sample: usize, samples: usize) -> f64 {
        let cell = (row % self.repeat.0) * self.repeat.1 + column % self.repeat.1;
        let pattern = self.pattern[cell * samples + sample];
        let lines = self.across.get(column).unwrap_or(&0.0) + self.down.get(row).unwrap_or(&0.0);
        pattern + lines - self.black[sample][row % 2 * 2 + column % 2]
    }
}

/// Black levels: a repeating pattern plus an offset for each column and one for each row.
fn black(d: &Directory, samples: usize) -> Result<(Vec<[f64; 4]>, Option<Uneven>), Fault> {
    let repeat = match d.numbers(BLACK_REPEAT).as_deref() {
        None => (1, 1),
        Some(&[rows, columns]) if (1..=64).contains(&rows) && (1..=64).contains(&columns) => {
            (rows as usize, columns as usize)
        }
        Some(_) => return Err(Fault::damaged("a black level pattern without sense")),
    };
    let cells = repeat.0 * repeat.1;
    let stated = d.reals(BLACK).unwrap_or_else(|| vec![0.0; cells * samples]);
    let pattern = match stated.len() {
        1 => vec![stated[0]; cells * samples],
        n if n == cells * samples => stated,
        _ => {
            return Err(Fault::damaged(
                "black levels of another number than their pattern",
            ));
        }
    };
    let line = |tag| d.reals(tag).filter(|v| v.iter().all(|v| v.is_finite()));
    let (across, down) = (
        line(BLACK_ACROSS).unwrap_or_default(),
        line(BLACK_DOWN).unwrap_or_default(),
    );
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let lines = mean(&across) + mean(&down);
    let site = |sample: usize, site: usize| {
        let rows = (site / 2..2 * repeat.0).step_by(2);
        let places = rows.flat_map(|r| (site % 2..2 * repeat.1).step_by(2).map(move |c| (r, c)));
        let values: Vec<f64> = places
            .map(|(r, c)| pattern[((r % repeat.0) * repeat.1 + c % repeat.1) * samples + sample])
            .collect();
        mean(&values) + lines
    };
    let black: Vec<[f64; 4]> = (0..samples)
        .map(|s| std::array::from_fn(|k| site(s, k)))
        .collect();
    let even = repeat.0 <= 2 && repeat.1 <= 2 && across.is_empty() && down.is_empty();
    let uneven = (!even).then(|| Uneven {
        repeat,
        pattern,
        across,
        down,
        black: black.clone(),
    });
    Ok((black, uneven))
}
