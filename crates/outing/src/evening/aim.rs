//! Where to point, in words.

use nightloom_sky::night::Aim;

/// The points of the compass, from north through east.
const POINTS: [&str; 16] = [
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
];

/// The point of the compass nearest to an azimuth from true north.
pub fn compass_point(azimuth_deg: f64) -> &'static str {
    let n = (azimuth_deg.rem_euclid(360.0) / 22.5).round() as usize;
    POINTS[n % POINTS.len()]
}

/// `azimuth 173° S (compass 161°), 24° high, Milky Way leans 30° right, moon down`.
pub fn aim_words(aim: &Aim) -> String {
    let whole = |deg: f64| deg.round().rem_euclid(360.0);
    let mut words = format!(
        "azimuth {:>3.0}° {}",
        whole(aim.azimuth_deg),
        compass_point(aim.azimuth_deg)
    );
    if let Some(compass) = aim.compass_deg {
        words.push_str(&format!(" (compass {:.0}°)", whole(compass)));
    }
    // No −0.
    words.push_str(&format!(", {:.0}° high", aim.altitude_deg.round() + 0.0));
    if let Some(lean) = aim.milky_way_lean_deg {
        words.push_str(&format!(", {}", lean_words(lean)));
    }
    words.push_str(&match aim.moon_altitude_deg {
        up if up > 0.0 => format!(", moon {:.0}° high at {:.0}°", up, whole(aim.moon_azimuth_deg)),
        _ => ", moon down".into(),
    });
    words
}

/// How the Milky Way leans, by the hand of a clock: clockwise from upright.
fn lean_words(lean_deg: f64) -> String {
    match lean_deg {
        l if l.abs() < 7.5 => "Milky Way upright".into(),
        l if l.abs() > 82.5 => "Milky Way lies flat".into(),
        l => {
            // A twelfth of a turn is an hour; to the left of 12 o'clock they count down.
            let halves = (l / 15.0).round().rem_euclid(24.0);
            let (hour, minutes) = (
                (halves / 2.0).floor(),
                if halves % 2.0 == 0.0 { "00" } else { "30" },
            );
            let hour = if hour == 0.0 { 12.0 } else { hour };
            let side = if l > 0.0 { "right" } else { "left" };
            format!("Milky Way leans {side}, like {hour:.0}:{minutes} on a clock")
        }
    }
}
