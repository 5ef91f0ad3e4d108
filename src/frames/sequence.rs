//! Splits a run of consecutive pictures into bursts, and finds the finished picture of each.

/// Largest difference of equal exposures, stops: half of the smallest step of cameras (a third), rounded down.
pub(crate) const SAME: f64 = 0.15;

/// Properties of one picture by which bursts are recognised, in the order of capture.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Shot {
    /// Exposure bias if it varies over the run, otherwise the stated exposure, stops; `None` if not stated.
    pub stops: Option<f64>,
    /// A mark that is evidence only if the rest of the burst lacks it.
    pub mark: Option<String>,
    /// True if the user states that it is a frame.
    pub surely_frame: bool,
}

/// One burst: indices of its frames in the order of capture, and the finished picture among or after them with the
/// evidence.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Burst {
    pub frames: Vec<usize>,
    pub finished: Option<(usize, String)>,
}

/// Splits a run into bursts.
pub(crate) fn bursts(shots: &[Shot]) -> Vec<Burst> {
    let parts = period(shots).map_or_else(
        || walk(shots),
        |length| {
            let all: Vec<usize> = (0..shots.len()).collect();
            all.chunks(length)
                .map(|chunk| Burst {
                    frames: chunk.to_vec(),
                    finished: None,
                })
                .collect()
        },
    );
    parts
        .into_iter()
        .map(|part| pull_marked(shots, part))
        .collect()
}

/// Length of the shortest burst, 3 or more, that the run repeats with equal steps; `None` if there is none, or if the
/// whole run is one ladder of different exposures.
fn period(shots: &[Shot]) -> Option<usize> {
    let stops: Vec<f64> = shots.iter().map(|s| s.stops).collect::<Option<_>>()?;
    if uniform(&stops) {
        return None;
    }
    let repeats = |length: usize| {
        let first = &stops[..length];
        all_different(first)
            && stops
                .chunks(length)
                .all(|chunk| (1..length).all(|i| near(chunk[i] - chunk[0], first[i] - first[0])))
    };
    (3..=stops.len() / 2).find(|&length| stops.len().is_multiple_of(length) && repeats(length))
}

/// Role of a picture with respect to the burst so far.
enum Role {
    Member,
    Next,
    Finished(String),
    /// An earlier member was the finished picture; this one replaces it as a frame.
    Replaces(usize, String),
}

fn walk(shots: &[Shot]) -> Vec<Burst> {
    let mut done = Vec::new();
    let mut burst = Burst::default();
    for index in 0..shots.len() {
        match role(shots, &burst, index) {
            Role::Member => burst.frames.push(index),
            Role::Next => {
                done.push(std::mem::take(&mut burst));
                burst.frames.push(index);
            }
            Role::Finished(evidence) => {
                burst.finished = Some((index, evidence));
                done.push(std::mem::take(&mut burst));
            }
            Role::Replaces(earlier, evidence) => {
                burst.frames.retain(|f| *f != earlier);
                burst.frames.push(index);
                burst.finished = Some((earlier, evidence));
            }
        }
    }
    done.push(burst);
    done.retain(|b| !b.frames.is_empty() || b.finished.is_some());
    done
}

fn role(shots: &[Shot], burst: &Burst, index: usize) -> Role {
    let shot = &shots[index];
    let members: Vec<f64> = burst
        .frames
        .iter()
        .filter_map(|&f| shots[f].stops)
        .collect();
    let complete =
        members.len() >= 3 && members.len() == burst.frames.len() && burst.finished.is_none();
    let may_finish = complete && !shot.surely_frame && !restarts(shots, burst, index);
    let Some(stops) = shot.stops else {
        let goes_on = shots
            .get(index + 1)
            .and_then(|s| s.stops)
            .is_some_and(|next| !members.iter().any(|m| near(*m, next)));
        return if may_finish && !goes_on {
            Role::Finished(after(
                members.len(),
                "does not state what the others of its burst do",
            ))
        } else {
            Role::Member
        };
    };
    let twin = burst
        .frames
        .iter()
        .copied()
        .find(|&f| shots[f].stops.is_some_and(|s| near(s, stops)));
    if let Some(twin) = twin {
        return repeat_role(shots, burst, index, twin, may_finish);
    }
    if may_finish && off_ladder(&members, stops) {
        return Role::Finished(after(members.len(), "fits none of its steps"));
    }
    Role::Member
}

/// Role of a picture with the same exposure as a member: the finished picture after a complete burst if that member
/// is the nominal one (first taken, or middle), otherwise the first of the next burst.
fn repeat_role(shots: &[Shot], burst: &Burst, index: usize, twin: usize, may_finish: bool) -> Role {
    let (earlier, later) = (&shots[twin], &shots[index]);
    if let (Some(mark), None, false) = (&earlier.mark, &later.mark, earlier.surely_frame)
        && burst.finished.is_none()
    {
        return Role::Replaces(
            twin,
            format!("{mark}, and another picture has its exposure"),
        );
    }
    let mut order = burst.frames.clone();
    order.sort_by(|a, b| {
        shots[*a]
            .stops
            .partial_cmp(&shots[*b].stops)
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    let nominal = burst.frames.first() == Some(&twin) || order.get(order.len() / 2) == Some(&twin);
    if may_finish && nominal {
        let what = "has the exposure of the nominal frame again";
        return Role::Finished(after(burst.frames.len(), what));
    }
    Role::Next
}

fn after(frames: usize, what: &str) -> String {
    format!("right after a complete burst of {frames}, and {what}")
}

/// True if this picture and the next repeat the first step of the burst.
fn restarts(shots: &[Shot], burst: &Burst, index: usize) -> bool {
    let at = |i: Option<usize>| i.and_then(|i| shots.get(i)).and_then(|s| s.stops);
    let steps = (
        at(burst.frames.first().copied()),
        at(burst.frames.get(1).copied()),
        at(Some(index)),
        at(Some(index + 1)),
    );
    matches!(steps, (Some(a), Some(b), Some(c), Some(d)) if near(b - a, d - c) && near(a, c))
}

/// True if `stops` lies within a ladder of equal steps, but on no step.
fn off_ladder(members: &[f64], stops: f64) -> bool {
    let low = members.iter().copied().fold(f64::INFINITY, f64::min);
    let high = members.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let step = (high - low) / (members.len() - 1) as f64;
    let mut sorted = members.to_vec();
    sorted.sort_by(f64::total_cmp);
    uniform(&sorted) && stops > low && stops < high && {
        let rung = (stops - low) / step;
        (rung - rung.round()).abs() * step > SAME
    }
}

/// If a burst has one frame too many and exactly one carries a mark, that one is the finished picture.
fn pull_marked(shots: &[Shot], mut burst: Burst) -> Burst {
    let marked: Vec<usize> = burst
        .frames
        .iter()
        .copied()
        .filter(|&f| shots[f].mark.is_some() && !shots[f].surely_frame)
        .collect();
    let (&[only], None, true) = (marked.as_slice(), &burst.finished, burst.frames.len() >= 3)
    else {
        return burst;
    };
    if let Some(mark) = &shots[only].mark {
        burst.frames.retain(|f| *f != only);
        let rest = burst.frames.len();
        burst.finished = Some((
            only,
            format!("{mark}, which the {rest} others of its burst lack"),
        ));
    }
    burst
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < SAME
}

fn all_different(stops: &[f64]) -> bool {
    let mut sorted = stops.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.windows(2).all(|pair| !near(pair[0], pair[1]))
}

/// True if the steps between neighbours are equal and not zero.
fn uniform(stops: &[f64]) -> bool {
    let steps: Vec<f64> = stops.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.iter().all(|s| near(*s, steps[0]) && !near(*s, 0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(stops: &[f64]) -> Vec<(Vec<usize>, Option<usize>)> {
        let shots: Vec<Shot> = stops
            .iter()
            .map(|s| Shot {
                stops: (!s.is_nan()).then_some(*s),
                ..Shot::default()
            })
            .collect();
        bursts(&shots)
            .into_iter()
            .map(|b| (b.frames, b.finished.map(|f| f.0)))
            .collect()
    }

    #[test]
    fn one_burst_in_any_order() {
        for stops in [
            vec![0.0, -1.0, 1.0],
            vec![-2.0, -1.0, 0.0, 1.0, 2.0],
            vec![0.0, -1.0, 1.0, -2.0, 2.0],
        ] {
            assert_eq!(
                run(&stops),
                [((0..stops.len()).collect(), None)],
                "{stops:?}"
            );
        }
    }

    #[test]
    fn a_repeated_sequence_begins_a_new_burst() {
        let two = [(vec![0, 1, 2], None), (vec![3, 4, 5], None)];
        assert_eq!(run(&[0.0, -1.0, 1.0, 0.0, -1.0, 1.0]), two);
        // another scene in between: the same steps, starting from another exposure
        assert_eq!(run(&[0.0, -1.0, 1.0, 2.0, 1.0, 3.0]), two);
        assert_eq!(
            run(&[0.0, 1.0, 0.0, 1.0]),
            [(vec![0, 1], None), (vec![2, 3], None)]
        );
    }

    #[test]
    fn the_fourth_picture_that_fits_no_step() {
        let fourth = [(vec![0, 1, 2], Some(3))];
        assert_eq!(run(&[-1.0, 0.0, 1.0, 0.0]), fourth);
        assert_eq!(run(&[0.0, -1.0, 1.0, 0.0]), fourth);
        assert_eq!(run(&[-1.0, 0.0, 1.0, 0.4]), fourth);
        assert_eq!(run(&[-1.0, 0.0, 1.0, f64::NAN]), fourth);
        let twice = [(vec![0, 1, 2], Some(3)), (vec![4, 5, 6], Some(7))];
        assert_eq!(run(&[-1.0, 0.0, 1.0, 0.0, -1.0, 0.0, 1.0, 0.0]), twice);
        assert_eq!(run(&[0.0, -1.0, 1.0, 0.0, 0.0, -1.0, 1.0, 0.0]), twice);
        // the next step of the ladder is a frame
        assert_eq!(run(&[-1.0, 0.0, 1.0, 2.0]), [(vec![0, 1, 2, 3], None)]);
    }

    #[test]
    fn a_frame_without_numbers_stays_where_the_burst_goes_on() {
        assert_eq!(run(&[-1.0, f64::NAN, 1.0]), [(vec![0, 1, 2], None)]);
        assert_eq!(
            run(&[-2.0, -1.0, 0.0, f64::NAN, 2.0]),
            [(vec![0, 1, 2, 3, 4], None)]
        );
    }

    #[test]
    fn a_marked_twin_is_the_finished_one_wherever_it_stands() {
        let shots: Vec<Shot> = [(0.0, true), (1.0, false), (-1.0, false), (0.0, false)]
            .iter()
            .map(|(stops, marked)| Shot {
                stops: Some(*stops),
                mark: marked.then(|| "its name says HDR".to_owned()),
                ..Shot::default()
            })
            .collect();
        let found = bursts(&shots);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].frames, [1, 2, 3]);
        assert_eq!(found[0].finished.as_ref().map(|f| f.0), Some(0));
    }
}
