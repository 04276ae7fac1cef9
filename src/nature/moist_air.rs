//! Moist air: saturation pressure, dew point, relative humidity at another temperature, absolute humidity, deficit.
//!
//! Magnus form with the constants of Alduchov & Eskridge 1996 (J. Appl. Meteor. 35, 601), over water, -40 to 50 °C.
//! NaN in, NaN out; results outside that range are extrapolations.

/// hPa, 1, °C.
const A: f64 = 6.1094;
const B: f64 = 17.625;
const C: f64 = 243.04;

/// Gas constant of water vapour, J/(kg K).
const VAPOUR: f64 = 461.5;

/// Vapour pressure of saturated air over water at `t_c`, hPa.
pub fn saturation_hpa(t_c: f64) -> f64 {
    A * libm::exp(B * t_c / (C + t_c))
}

/// Vapour pressure of air of `rh_pct` at `t_c`, hPa.
pub fn vapour_hpa(t_c: f64, rh_pct: f64) -> f64 {
    saturation_hpa(t_c) * rh_pct / 100.0
}

/// Dew point, °C (over water also below freezing). `None` for air without any vapour and for what is no number.
pub fn dew_point_c(t_c: f64, rh_pct: f64) -> Option<f64> {
    if !(rh_pct > 0.0 && t_c > -C) {
        return None;
    }
    let g = libm::log(rh_pct / 100.0) + B * t_c / (C + t_c);
    let dew = C * g / (B - g);
    dew.is_finite().then_some(dew)
}

/// Relative humidity, %, that air of `rh_pct` at `t_c` has when it is warmed or cooled to `other_c`. Over 100: it condenses there.
pub fn humidity_at(other_c: f64, t_c: f64, rh_pct: f64) -> f64 {
    rh_pct * saturation_hpa(t_c) / saturation_hpa(other_c)
}

/// Water in the air, g/m³.
pub fn absolute_g_m3(t_c: f64, rh_pct: f64) -> f64 {
    1_000.0 * vapour_hpa(t_c, rh_pct) * 100.0 / (VAPOUR * (t_c + 273.15))
}

/// How much vapour pressure the air could still take up, hPa.
pub fn deficit_hpa(t_c: f64, rh_pct: f64) -> f64 {
    saturation_hpa(t_c) - vapour_hpa(t_c, rh_pct)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn saturation_pressure_of_the_handbook() {
        // Handbook of Chemistry and Physics, vapour pressure of water, kPa. Alduchov & Eskridge is within 0.24 % on 0-50 °C.
        let table = [
            (0.0, 0.61129),
            (10.0, 1.2281),
            (20.0, 2.3388),
            (25.0, 3.1690),
            (30.0, 4.2455),
            (35.0, 5.6267),
            (40.0, 7.3814),
            (50.0, 12.344),
        ];
        for (t, kpa) in table {
            let ours = saturation_hpa(t) / 10.0;
            assert!((ours / kpa - 1.0).abs() < 0.0024, "{t}: {ours} kPa for {kpa}");
        }
    }

    #[test]
    fn constants_of_the_wmo_agree() {
        // WMO-No. 8 Annex 4.B: 6.112, 17.62, 243.12.
        for t in 0..=50 {
            let t = f64::from(t);
            let wmo = 6.112 * libm::exp(17.62 * t / (243.12 + t));
            assert!((saturation_hpa(t) / wmo - 1.0).abs() < 0.002, "{t}");
        }
    }

    #[test]
    fn moist_air_of_psychrolib() {
        // Computed with psychrolib 2.5.0 (metpy 1.7.1 agrees on the dew point within 0.05 K): t, RH, e Pa, Td, g/m³, deficit Pa.
        let table = [
            (5.0, 80.0, 698.0, 1.841, 5.437, 174.5),
            (10.0, 60.0, 736.8, 2.600, 5.638, 491.2),
            (15.0, 70.0, 1193.8, 9.579, 8.977, 511.6),
            (20.0, 50.0, 1169.4, 9.272, 8.643, 1169.4),
            (24.0, 65.0, 1940.3, 17.019, 14.148, 1044.8),
            (26.0, 75.0, 2522.3, 21.225, 18.269, 840.8),
            (28.0, 60.0, 2269.3, 19.514, 16.328, 1512.9),
            (30.0, 80.0, 3396.8, 26.169, 24.279, 849.2),
            (32.0, 50.0, 2379.3, 20.277, 16.894, 2379.3),
            (40.0, 20.0, 1476.7, 12.783, 10.217, 5906.8),
        ];
        for (t, rh, e, dew, g_m3, deficit) in table {
            assert!((vapour_hpa(t, rh) * 100.0 / e - 1.0).abs() < 0.003, "{t} {rh} e");
            assert!((dew_point_c(t, rh).unwrap() - dew).abs() < 0.05, "{t} {rh} dew point");
            assert!((absolute_g_m3(t, rh) / g_m3 - 1.0).abs() < 0.003, "{t} {rh} g/m3");
            assert!((deficit_hpa(t, rh) * 100.0 / deficit - 1.0).abs() < 0.003, "{t} {rh} deficit");
        }
    }

    #[test]
    fn one_air_at_two_ends() {
        // Computed: 25 °C / 60 % air is 40 % at a 32 °C hot spot and 72 % at 22 °C.
        assert!((humidity_at(32.0, 25.0, 60.0) - 40.0).abs() < 0.5);
        assert!((humidity_at(22.0, 25.0, 60.0) - 72.0).abs() < 0.5);
    }

    #[test]
    fn nonsense_has_no_dew_point() {
        for (t, rh) in
            [(20.0, 0.0), (20.0, -3.0), (f64::NAN, 50.0), (20.0, f64::NAN), (-300.0, 50.0), (f64::INFINITY, 50.0)]
        {
            assert_eq!(dew_point_c(t, rh), None, "{t} {rh}");
        }
    }
}
