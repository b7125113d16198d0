//! Numbers of a file of limits, each within what it can sensibly be.

use serde::{Deserialize, Deserializer, de};

pub(super) fn temperature<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, -2.0, 40.0, "degrees Celsius")
}

pub(super) fn metres<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, 0.0, 100_000.0, "metres")
}

pub(super) fn percent<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, 0.0, 1000.0, "per cent")
}

pub(super) fn knots<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, 0.1, 64.0, "knots")
}

pub(super) fn minutes<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, 0.0, 1440.0, "minutes")
}

pub(super) fn difference<'de, D: Deserializer<'de>>(value: D) -> Result<f64, D::Error> {
    between(value, 0.0, 30.0, "degrees Celsius")
}

pub(super) fn hours<'de, D: Deserializer<'de>>(value: D) -> Result<u32, D::Error> {
    let hours = u32::deserialize(value)?;
    if (1..=12).contains(&hours) {
        return Ok(hours);
    }
    Err(de::Error::custom("must be a whole number from 1 to 12 hours"))
}

/// TOML has `nan` and `inf`: with one of those a comparison would quietly clear a plan.
fn between<'de, D: Deserializer<'de>>(
    value: D,
    least: f64,
    most: f64,
    unit: &str,
) -> Result<f64, D::Error> {
    let value = f64::deserialize(value)?;
    if (least..=most).contains(&value) {
        return Ok(value);
    }
    Err(de::Error::custom(format!("must be a number from {least} to {most} {unit}")))
}
