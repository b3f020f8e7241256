//! How numbers are read and written.

use hissmap::units::{NumberError, NumberWarning, Quantity, engineering, exact, read_number, short};
use proptest::prelude::*;

/// `text` reads as exactly `expected`, without a warning.
#[track_caller]
fn check(text: &str, quantity: Quantity, expected: f64) {
    let reading = read_number(text, quantity).unwrap_or_else(|error| panic!("{text}: {error}"));
    assert_eq!(reading.value.to_bits(), expected.to_bits(), "{text} gave {:e}", reading.value);
    assert_eq!(reading.warning, None, "{text}");
}

#[track_caller]
fn check_refused(text: &str, quantity: Quantity) -> NumberError {
    match read_number(text, quantity) {
        Ok(reading) => panic!("{text} was read as {:e}", reading.value),
        Err(error) => error,
    }
}

#[test]
fn plain_numbers_are_what_a_program_text_would_make_of_them() {
    for (text, expected) in
        [("0", 0.0), ("-0", -0.0), ("1e-3", 1e-3), ("+5", 5.0), (".5", 0.5), ("5.", 5.0), ("-1.25E+2", -125.0)]
    {
        check(text, Quantity::Other, expected);
    }
}

#[test]
fn every_scale_is_exact_in_either_case() {
    for (text, expected) in [
        ("4.7t", 4.7e12),
        ("4.7G", 4.7e9),
        ("4.7meg", 4.7e6),
        ("4.7MEG", 4.7e6),
        ("4.7k", 4700.0),
        ("4.7K", 4700.0),
        ("4.7m", 4.7e-3),
        ("4.7u", 4.7e-6),
        ("4.7µ", 4.7e-6),
        ("4.7μ", 4.7e-6),
        ("4.7n", 4.7e-9),
        ("4.7p", 4.7e-12),
        ("4.7f", 4.7e-15),
        ("1mil", 25.4e-6),
        ("10MIL", 254e-6),
        ("1e3k", 1e6),
    ] {
        check(text, Quantity::Other, expected);
    }
}

#[test]
fn units_behind_the_scale_are_ignored() {
    for (text, expected) in [
        ("10uF", 10e-6),
        ("4.7kohm", 4700.0),
        ("4.7kΩ", 4700.0),
        ("10pF", 10e-12),
        ("5V", 5.0),
        ("50Hz", 50.0),
        ("100nA", 100e-9),
        ("47R", 47.0),
        ("1megohm", 1e6),
    ] {
        check(text, Quantity::Other, expected);
    }
}

#[test]
fn a_letter_may_stand_for_the_decimal_point() {
    for (text, quantity, expected) in [
        ("4k7", Quantity::Resistance, 4.7e3),
        ("4R7", Quantity::Resistance, 4.7),
        ("R47", Quantity::Resistance, 0.47),
        ("2M2", Quantity::Resistance, 2.2e6),
        ("4L7", Quantity::Resistance, 4.7e-3),
        ("4m7", Quantity::Resistance, 4.7e-3),
        ("4k7ohm", Quantity::Resistance, 4.7e3),
        ("2n2", Quantity::Capacitance, 2.2e-9),
        ("2n2F", Quantity::Capacitance, 2.2e-9),
        ("p47", Quantity::Capacitance, 0.47e-12),
        ("1m0", Quantity::Capacitance, 1e-3),
        ("-1k5", Quantity::Other, -1.5e3),
        ("2M2", Quantity::Other, 2.2e6),
    ] {
        check(text, quantity, expected);
    }
}

#[test]
fn what_is_not_a_number_is_refused() {
    for text in [
        "", "-", ".", "K", "R", "4K7K", "4.7K7", "NaN", "nan", "inf", "infinity", "-inf", "1e", "1e+", "1.2.3", "4x7",
        "1k2k3", "2MEG2", "1-2", "1e3k3", "..5", "abc", "0x10", "1_000", "²", "٣",
    ] {
        for quantity in [Quantity::Resistance, Quantity::Capacitance, Quantity::Other] {
            check_refused(text, quantity);
        }
    }
}

#[test]
fn milli_by_l_is_for_resistors_only() {
    check_refused("4L7", Quantity::Capacitance);
    check_refused("4L7", Quantity::Other);
    let error = check_refused("47L", Quantity::Resistance);
    assert_eq!(error.help().as_deref(), Some("write 47m for milliohms"));
}

#[test]
fn a_number_too_large_is_refused() {
    for text in ["1e309", "1e308k", "9e99999999999999999999", "1e999999999mil"] {
        assert!(matches!(check_refused(text, Quantity::Other), NumberError::TooLarge(_)), "{text}");
    }
    check("1e-99999999999999999999", Quantity::Other, 0.0);
}

#[test]
fn a_comma_is_shown_as_a_point() {
    for (text, expected) in [("4,7k", "write 4.7k"), ("0,5", "write 0.5"), ("1,000,000", "write 1000000")] {
        assert_eq!(check_refused(text, Quantity::Other).help().as_deref(), Some(expected));
    }
}

#[test]
fn a_capital_m_on_a_resistor_is_milli_with_a_warning() {
    let reading = read_number("10M", Quantity::Resistance).unwrap();
    assert_eq!(reading.value, 10e-3);
    assert_eq!(reading.warning.unwrap().help(), "write 10MEG for megohms");
    check("10m", Quantity::Resistance, 10e-3);
    check("10M", Quantity::Other, 10e-3);
    check("10Meg", Quantity::Resistance, 10e6);
}

#[test]
fn farads_on_a_capacitor_are_femto_with_a_warning() {
    let reading = read_number("1F", Quantity::Capacitance).unwrap();
    assert_eq!(reading.value, 1e-15);
    assert!(matches!(reading.warning, Some(NumberWarning::Femto { farads, .. }) if farads == "1"));
    check("1fF", Quantity::Capacitance, 1e-15);
    assert_eq!(check_refused("4F7", Quantity::Capacitance).help().as_deref(), Some("write 4.7 for farads"));
}

#[test]
fn a_thousandth_spelt_out_is_not_silently_a_mil() {
    let reading = read_number("1milliamp", Quantity::Other).unwrap();
    assert_eq!(reading.value, 25.4e-6);
    assert!(matches!(reading.warning, Some(NumberWarning::Mil { thousandths, .. }) if thousandths == "1m"));
}

#[test]
fn quantities_are_written_as_on_the_bench() {
    for (value, unit, digits, expected) in [
        (1.23e-3, "V", 3, "1.23 mV"),
        (47e3, "Ω", 2, "47 kΩ"),
        (0.0, "V", 3, "0 V"),
        (-0.0, "V", 3, "0 V"),
        (-850e-6, "A", 3, "-850 µA"),
        (12.5e-9, "V/√Hz", 3, "12.5 nV/√Hz"),
        (999.96e-3, "V", 4, "1.000 V"),
        (999.4e-6, "V", 3, "999 µV"),
        (999.6e-6, "V", 3, "1.00 mV"),
        (470.0, "Ω", 2, "470 Ω"),
        (1e-15, "F", 1, "1 fF"),
        (1e12, "Ω", 3, "1.00 TΩ"),
        (1e15, "Ω", 3, "1.00e15 Ω"),
        (1e-18, "V", 2, "1.0e-18 V"),
        (1.5, "", 2, "1.5"),
        (f64::INFINITY, "V", 3, "∞ V"),
        (f64::NEG_INFINITY, "V", 3, "-∞ V"),
        (f64::NAN, "V", 3, "undefined"),
        (2.0, "V", 0, "2 V"),
    ] {
        assert_eq!(engineering(value, unit, digits), expected);
    }
}

#[test]
fn exact_text_is_short() {
    for (value, expected) in [(4700.0, "4700"), (2.2e-9, "2.2e-9"), (0.1, "0.1"), (1e300, "1e300"), (-0.0, "-0")] {
        assert_eq!(exact(value), expected);
    }
}

proptest! {
    #[test]
    fn exact_text_reads_back_to_the_same_bits(bits in any::<u64>()) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        for quantity in [Quantity::Resistance, Quantity::Capacitance, Quantity::Other] {
            let reading = read_number(&exact(value), quantity).unwrap();
            prop_assert_eq!(reading.value.to_bits(), bits);
            prop_assert_eq!(reading.warning, None);
        }
    }

    #[test]
    fn a_scale_letter_is_as_exact_as_an_exponent(digits in "[0-9]{1,12}(\\.[0-9]{1,8})?") {
        for (letter, exponent) in [("t", 12), ("meg", 6), ("k", 3), ("m", -3), ("u", -6), ("n", -9), ("p", -12)] {
            let reading = read_number(&format!("{digits}{letter}"), Quantity::Other).unwrap();
            prop_assert_eq!(reading.value, format!("{digits}e{exponent}").parse::<f64>().unwrap());
        }
    }

    #[test]
    fn any_text_is_read_or_refused(text in any::<String>(), near in "[-+]?[0-9.,eEkKmMRLFpµΩil]{0,8}") {
        for text in [text, near] {
            for quantity in [Quantity::Resistance, Quantity::Capacitance, Quantity::Other] {
                if let Ok(reading) = read_number(&text, quantity) {
                    prop_assert!(reading.value.is_finite());
                }
            }
        }
    }

    #[test]
    fn any_quantity_is_written_in_one_piece(value in any::<f64>(), digits in 0usize..20) {
        let text = engineering(value, "V", digits);
        prop_assert!(!text.is_empty() && text.chars().count() < 40, "{}", text);
    }
}

#[test]
fn a_chosen_value_is_written_with_as_few_digits_as_say_it() {
    for (value, unit, expected) in [
        (20e-6, "A", "20 µA"),
        (4700.0, "Ω", "4.7 kΩ"),
        (100e3, "Ω", "100 kΩ"),
        (-30.0, "°C", "-30 °C"),
        (0.0, "°C", "0 °C"),
        (0.3, "", "300 m"),
        (20.0, "Hz", "20 Hz"),
        (1.0 / 3.0, "V", "333.333 mV"),
        (1e-30, "Hz", "1.00000e-30 Hz"),
    ] {
        assert_eq!(short(value, unit), expected);
    }
}
