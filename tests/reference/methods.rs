//! The published response methods against OpenCV's, on the same pixels.
use super::opencv::{Reference, difference_stops, reference};
use stopspan_response::alternating;
use stopspan_response::alternating::Stop;
use stopspan_response::least_squares_table;

/// Codes of the pixels at the given places by frame, one channel.
fn samples(of: &Reference, places: &[(usize, usize)], channel: usize) -> Vec<Vec<u8>> {
    let codes = |&(row, column): &(usize, usize)| {
        let frames = of.frames.iter();
        frames.map(|f| f[[row, column, channel]]).collect()
    };
    places.iter().map(codes).collect()
}

/// OpenCV was asked for 400 samples (opencv/make.py), lambda 10. Its grid of 64 x 48 pixels has, by its source,
/// sqrt(400 * 64 / 48) = 23 columns and 400 / 23 = 17 rows at every second pixel from 1. It solves in single precision,
/// by singular values and with the radiances as unknowns, hence the tolerance.
#[test]
fn least_squares_table_is_opencvs() {
    let reference = reference();
    let row = |r: usize| (0..23).map(move |c| (2 * r + 1, 2 * c + 1));
    let places: Vec<(usize, usize)> = (0..17).flat_map(row).collect();
    for channel in 0..3 {
        let samples = samples(&reference, &places, channel);
        let logs = least_squares_table::fit(&samples, &reference.times, 10.0).unwrap();
        let ours: Vec<f64> = logs.iter().map(|g| g.exp()).collect();
        let theirs: Vec<f64> = reference.debevec.iter().map(|row| row[channel]).collect();
        let apart = difference_stops(&ours, &theirs);
        println!("channel {channel}: {apart:.6} stop");
        assert!(apart < 0.002, "channel {channel}: {apart}");
    }
}

/// OpenCV takes all pixels, at most 100 rounds, and stops when the three channels' changes are below 1e-5 on average; it
/// stops all channels at once and works in single precision, hence the tolerance.
#[test]
fn alternating_is_opencvs() {
    let reference = reference();
    let (rows, columns, _) = reference.frames[0].dim();
    let row = |r: usize| (0..columns).map(move |c| (r, c));
    let places: Vec<(usize, usize)> = (0..rows).flat_map(row).collect();
    let stop = Stop {
        rounds: 100,
        change: 1e-5,
    };
    for channel in 0..3 {
        let samples = samples(&reference, &places, channel);
        let ours = alternating::fit(&samples, &reference.times, stop).unwrap();
        let theirs: Vec<f64> = reference.robertson.iter().map(|row| row[channel]).collect();
        let apart = difference_stops(&ours, &theirs);
        println!("channel {channel}: {apart:.6} stop");
        assert!(apart < 0.002, "channel {channel}: {apart}");
    }
}
