//! Settings of one condition: every number with its default, its range and its meaning in one place, from which
//! the settings section, its check and the commented defaults all come.

/// One number that a site may set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knob {
    /// Key in the section; the unit is in the name.
    pub key: &'static str,
    /// Default.
    pub default: f64,
    /// Least value allowed.
    pub least: f64,
    /// Largest value allowed.
    pub most: f64,
    /// Meaning, one line.
    pub doc: &'static str,
}

/// What every condition's settings can say of themselves.
pub trait Knobs {
    /// The numbers, in order.
    const KNOBS: &'static [Knob];
    /// The values in force, in the same order.
    fn values(&self) -> Vec<f64>;
    /// Whether the condition is watched at all.
    fn enabled(&self) -> bool;
}

/// Declares a condition's `Settings`: `enabled` and the numbers, each `key = default, least..most, "meaning"`.
macro_rules! knobs {
    ($($key:ident = $default:expr, $least:literal..$most:literal, $doc:literal;)+) => {
        /// This condition's section in the settings.
        #[derive(Debug, Clone, PartialEq, serde::Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct Settings {
            /// Watch for it at all.
            pub enabled: bool,
            $(#[doc = $doc] pub $key: f64,)+
        }
        impl Default for Settings {
            fn default() -> Self {
                Self { enabled: true, $($key: $default,)+ }
            }
        }
        impl crate::judge::knobs::Knobs for Settings {
            const KNOBS: &'static [crate::judge::knobs::Knob] = &[
                $(crate::judge::knobs::Knob { key: stringify!($key), default: $default, least: $least as f64, most: $most as f64, doc: $doc },)+
            ];
            fn values(&self) -> Vec<f64> {
                vec![$(self.$key,)+]
            }
            fn enabled(&self) -> bool {
                self.enabled
            }
        }
    };
}
pub(crate) use knobs;
