//! Zones, alerts and forecasts of the weather service.
#![no_main]

use libfuzzer_sys::fuzz_target;
use shorelamp::conditions::nws;

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let _ = nws::read_zones(&text);
    let _ = nws::read_alerts(&text).map(|alerts| nws::merged(vec![alerts.clone(), alerts]));
});
