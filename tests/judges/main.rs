//! The judges of light, gradient, night and humidity over days: each planted fault gives one finding of the right name, health none.

mod climate;
mod follow;
mod house;
mod light;
mod office;
