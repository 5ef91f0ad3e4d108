//! Memory: what the machine gives, buffers of pixels that may be refused, what a picture takes against the limit.
use super::fault::Fault;
use bytemuck::Zeroable;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Footprint, Limits};
use sysinfo::{MemoryRefreshKind, System};

/// Share of the machine's memory that a job may take: the rest is the system's and other programs'. (Common practice, no source.)
const SHARE: (u64, u64) = (3, 4);

/// Three quarters of the memory that the machine has, or that the system allows the program (control group, or address space on
/// Linux) where that is less, bytes. [`u64::MAX`] where nothing is known.
pub fn share_of_machine() -> u64 {
    let mut system = System::new();
    system.refresh_memory_specifics(MemoryRefreshKind::nothing().with_ram());
    let group = system.cgroup_limits().map(|group| group.total_memory);
    let all = Some(system.total_memory());
    let least = [all, group, address_space()].into_iter().flatten();
    let least = least.filter(|&bytes| bytes > 0).min();
    least.map_or(u64::MAX, |bytes| bytes / SHARE.1 * SHARE.0)
}

/// Limit on the address space of the process, bytes (proc(5)); `None` without a limit and on other systems than Linux.
fn address_space() -> Option<u64> {
    let limits = std::fs::read_to_string("/proc/self/limits").ok()?;
    let line = limits
        .lines()
        .find_map(|l| l.strip_prefix("Max address space"));
    line?.split_whitespace().next()?.parse().ok()
}

/// True if the system gives this much memory at once. What it gives is given back.
pub fn is_given(bytes: u64) -> bool {
    let bytes = usize::try_from(bytes).unwrap_or(usize::MAX);
    Vec::<u8>::new().try_reserve_exact(bytes).is_ok()
}

/// Checks what decoding a picture takes against the limit and against what the system gives.
pub(super) fn check(footprint: Footprint, limits: &Limits) -> Result<(), Fault> {
    Ok(is_enough(footprint.peak(), limits.memory)?)
}

/// Checks the bytes that a job needs against the limit and against what the system gives.
///
/// # Errors
/// [`InputProblem::Memory`] and [`InputProblem::OutOfMemory`].
pub fn is_enough(needed: u64, limit: u64) -> Result<(), InputProblem> {
    if needed > limit {
        return Err(InputProblem::Memory { needed, limit });
    }
    match is_given(needed) {
        true => Ok(()),
        false => Err(InputProblem::OutOfMemory { needed }),
    }
}

/// A buffer of zeros, or the refusal of one.
pub(super) fn zeroed<T: Zeroable>(count: usize) -> Result<Vec<T>, Fault> {
    bytemuck::try_zeroed_vec(count).map_err(|()| refused::<T>(count))
}

/// An empty buffer with room for `count` elements, or the refusal of one.
pub(super) fn room<T>(count: usize) -> Result<Vec<T>, Fault> {
    let mut buffer = Vec::new();
    let given = buffer.try_reserve_exact(count);
    given.map_err(|_| refused::<T>(count))?;
    Ok(buffer)
}

/// The samples converted one by one into a new buffer.
pub(super) fn converted<A, B>(samples: &[A], convert: impl Fn(&A) -> B) -> Result<Vec<B>, Fault> {
    let mut buffer = room(samples.len())?;
    buffer.extend(samples.iter().map(convert));
    Ok(buffer)
}

fn refused<T>(count: usize) -> Fault {
    let needed = (count as u64).saturating_mul(size_of::<T>() as u64);
    InputProblem::OutOfMemory { needed }.into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    /// No machine has 2^60 bytes.
    #[test]
    fn memory_that_no_machine_has_is_refused_with_its_amount() {
        let count = 1 << 60;
        assert!(!is_given(count as u64));
        for fault in [
            zeroed::<u16>(count).unwrap_err(),
            room::<f32>(count).unwrap_err(),
        ] {
            let said = fault.at(Path::new("a.tif")).to_string();
            assert!(said.contains("a.tif") && said.contains("GB"), "{said}");
        }
        assert_eq!(zeroed::<u16>(3).unwrap(), [0, 0, 0]);
    }

    /// A machine that runs tests has more than 64 MB and less than an exabyte.
    #[test]
    fn the_share_of_the_machine_is_known() {
        assert!((1 << 26..1 << 60).contains(&share_of_machine()));
    }

    #[test]
    fn a_picture_beyond_the_limit_is_refused() {
        let limits = Limits {
            memory: 1000,
            ..Limits::default()
        };
        let of = |samples, decoding| check(Footprint { samples, decoding }, &limits);
        assert!(of(600, 400).is_ok());
        let said = of(600, 401).unwrap_err().at(Path::new("a.tif"));
        assert!(matches!(
            said,
            stopspan_core::Error::Input {
                problem: InputProblem::Memory {
                    needed: 1001,
                    limit: 1000
                },
                ..
            }
        ));
    }
}
