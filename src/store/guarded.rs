//! A fault of the program that one plan sets off, as damage of that plan.

use super::StoreError;
use super::error::of_a_panic;
use crate::guarded::{Panicked, guarded, guarded_while};

/// What [`guarded`] does, over one plan: that the program fails over it counts as damage of that plan alone.
///
/// # Errors
/// Its own, or that it panicked.
pub fn guarded_over<T>(
    plan_ref: &str,
    work: impl FnOnce() -> Result<T, StoreError>,
) -> Result<T, StoreError> {
    guarded(work).unwrap_or_else(|Panicked| Err(of_a_panic(plan_ref)))
}

/// As [`guarded_over`], for something that waits in between.
///
/// # Errors
/// As [`guarded_over`].
pub(super) async fn guarded_over_while<T>(
    plan_ref: &str,
    work: impl Future<Output = Result<T, StoreError>>,
) -> Result<T, StoreError> {
    guarded_while(work).await.unwrap_or_else(|Panicked| Err(of_a_panic(plan_ref)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fails() -> Result<u32, StoreError> {
        let plans: Vec<u32> = Vec::new();
        Ok(plans[0])
    }

    #[tokio::test]
    async fn what_the_program_fails_over_is_damaged() {
        let damage = guarded_over("REF-1", fails).unwrap_err();
        assert!(damage.is_damage() && damage.to_string().contains("plan REF-1 "), "{damage}");
        let damage = guarded_over_while("REF-2", async { fails() }).await.unwrap_err();
        assert!(damage.is_damage() && damage.to_string().contains("plan REF-2 "), "{damage}");
        let none = guarded_over("REF-3", || Err::<u32, _>(StoreError::NoSuchPlan));
        assert!(matches!(none, Err(StoreError::NoSuchPlan)));
    }
}
