//! The rig's file as it is written (`rig.toml`). What a person may leave out has the default that is said beside it: the common
//! practice of the trade, no source, unless one is named.
//!
//! The comments of the fields are what the JSON Schema says, and what is written beside them in a new file. Names are spelled as in
//! America; an `alias` is a British one, which is read and never written.

use core::net::IpAddr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::demand::Demand;

/// What the rig is, what it has, and what its owner has settled. The maker's manual comes first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(title = "A rig of sparehand")]
pub struct RigFile {
    /// What kind of rig it is.
    pub kind: RigKind,
    /// Where it stands, in degrees north (south below zero): with the longitude it tells when it gets light.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -89, max = 89))]
    pub latitude: Option<f64>,
    /// Where it stands, in degrees east (west below zero).
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -180, max = 180))]
    pub longitude: Option<f64>,
    /// Whether every run lets phones in, as with --phones; --no-phones leaves them out once.
    pub phones: bool,
    /// Address of this machine that phones reach, such as 192.168.8.1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phones_address: Option<IpAddr>,
    /// Port that phones reach, where it is not 8443.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phones_port: Option<u16>,
    /// Names of animals that travel along.
    pub pets: Vec<String>,
    /// Who rides along besides the people below, by name: each is counted before the road.
    pub passengers: Vec<String>,
    /// Equipment of your own that your own routines ask for; each name begins with "own-".
    pub extras: Vec<String>,
    /// Whom to call.
    pub help: Help,
    /// Shore power and batteries.
    pub electric: Electric,
    /// Fresh water.
    pub water: Water,
    /// Waste water.
    pub waste: Waste,
    /// How the sewage tank is emptied and rinsed.
    pub tank_dump: TankDump,
    /// LP gas.
    pub gas: Gas,
    /// The fridge.
    pub fridge: Fridge,
    /// What stands outside or on the roof.
    pub outside: Outside,
    /// Jacks, stabilizers, steps.
    pub standing: Standing,
    /// What tows, or what is towed.
    pub tow: Tow,
    /// People who take part, each with a name.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub person: Vec<Person>,
    /// Slide-out rooms.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub slide: Vec<Slide>,
    /// Awnings.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub awning: Vec<Awning>,
    /// Tires whose pressure is read before the road.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[serde(alias = "tyre")]
    pub tire: Vec<Tire>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RigKind {
    #[default]
    Motorhome,
    TravelTrailer,
    FifthWheel,
    Van,
}

/// What a person does in a move.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Works outside.
    Outside,
    /// Works inside.
    Inside,
    /// Drives.
    Driver,
    /// Stands outside and watches for the driver.
    Spotter,
    /// Whoever is free.
    #[default]
    Either,
}

/// Somebody who takes part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// Name, as it is said.
    pub name: String,
    /// What they do.
    #[serde(default)]
    pub roles: Vec<Role>,
    /// Which of it they know well: there they get the short question alone.
    #[serde(default)]
    #[serde(alias = "practised")]
    pub practiced: Vec<Role>,
    /// What they cannot do: they are never asked for a step that demands it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cannot: Vec<Demand>,
}

/// Whom to call.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Help {
    /// Number for an emergency, said digit by digit: 911 in the United States (47 U.S.C. 251(e)(3), from memory), Canada and Mexico.
    #[schemars(range(min = 100, max = 999999))]
    pub emergency_number: u32,
}

impl Default for Help {
    fn default() -> Self {
        Self { emergency_number: 911 }
    }
}

/// Shore power and batteries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Electric {
    /// Shore cord in amperes: 30 or 50; 15 or 20 for a small one; 0 for none.
    #[schemars(extend("enum" = [0, 15, 20, 30, 50]))]
    pub cord_a: u32,
    /// Whether a surge protector stands between post and cord.
    pub surge_protector: bool,
    /// Whether there is an inverter.
    pub inverter: bool,
    /// Whether there is a generator.
    pub generator: bool,
    /// Usable house battery, in ampere-hours at 12 volts; 0 for none.
    #[schemars(range(min = 0, max = 5000))]
    pub battery_ah: u32,
    /// What runs from the battery all night besides the furnace's fan, in watts: detectors, controls of the fridge, a lamp.
    #[schemars(range(min = 0, max = 2000))]
    pub night_w: u32,
    /// Of what kind the house battery is: what a resting voltage means depends on it.
    pub battery_kind: BatteryKind,
    /// Lowest voltage to plug into, in volts.
    #[schemars(range(min = 80, max = 250))]
    #[serde(alias = "mains_least_v")]
    pub shore_least_v: u32,
    /// Highest voltage to plug into, in volts.
    #[schemars(range(min = 80, max = 270))]
    #[serde(alias = "mains_most_v")]
    pub shore_most_v: u32,
}

impl Default for Electric {
    fn default() -> Self {
        Self {
            cord_a: 30,
            surge_protector: false,
            inverter: false,
            generator: false,
            battery_ah: 100,
            night_w: 25,
            battery_kind: BatteryKind::Unknown,
            shore_least_v: 108,
            shore_most_v: 128,
        }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BatteryKind {
    /// It is asked for where its voltage is read.
    #[default]
    Unknown,
    /// Lead-acid with caps that water is filled into.
    Flooded,
    /// Lead-acid, sealed, with glass mats.
    Agm,
    /// Lithium iron phosphate.
    Lithium,
}

/// Fresh water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Water {
    /// Fresh tank in US gallons; 0 for none.
    #[schemars(range(min = 0, max = 400))]
    pub fresh_gal: u32,
    /// Whether there is a pump.
    pub pump: bool,
    /// Whether water comes from a tap through a hose.
    pub tap_hose: bool,
    /// Whether a pressure regulator is used at the tap.
    pub regulator: bool,
    /// Whether a filter is used at the hose.
    pub filter: bool,
    /// Water heater: none, gas, electric, or both.
    pub heater: Heater,
    /// Whether the water heater can be bypassed for the winter.
    pub heater_bypass: bool,
    /// Strength of your household bleach, in percent, as its label says (sodium hypochlorite).
    #[schemars(range(min = 1, max = 15))]
    pub bleach_percent: f64,
}

impl Default for Water {
    fn default() -> Self {
        Self {
            fresh_gal: 40,
            pump: true,
            tap_hose: true,
            regulator: true,
            filter: false,
            heater: Heater::Both,
            heater_bypass: true,
            bleach_percent: 5.25,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Heater {
    None,
    Gas,
    Electric,
    Both,
}

/// Waste water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Waste {
    /// Black (sewage) tank in US gallons; 0 for none.
    #[schemars(range(min = 0, max = 200))]
    pub black_gal: u32,
    /// Floor of the black tank in square inches; 0 where it is not known.
    #[schemars(range(min = 0, max = 10000))]
    pub black_floor_sqin: u32,
    /// Gray tank in US gallons; 0 for none.
    #[schemars(range(min = 0, max = 200))]
    #[serde(alias = "grey_gal")]
    pub gray_gal: u32,
    /// Floor of the gray tank in square inches; 0 where it is not known.
    #[schemars(range(min = 0, max = 10000))]
    #[serde(alias = "grey_floor_sqin")]
    pub gray_floor_sqin: u32,
    /// Whether the black tank has an inlet for rinsing.
    pub rinse_inlet: bool,
    /// Whether the hoses have quick-release ends.
    pub quick_release: bool,
    /// Toilet box that is carried to the drain by hand.
    pub toilet_box: bool,
    /// What the toilet box holds, in US gallons.
    #[schemars(range(min = 1, max = 20))]
    pub toilet_box_gal: u32,
    /// A pump that cuts up sewage and presses it through a thin hose.
    pub macerator: bool,
    /// A tank on wheels that carries waste to the drain, in US gallons; 0 for none.
    #[schemars(range(min = 0, max = 60))]
    pub tote_gal: u32,
}

impl Default for Waste {
    fn default() -> Self {
        Self {
            black_gal: 40,
            black_floor_sqin: 0,
            gray_gal: 40,
            gray_floor_sqin: 0,
            rinse_inlet: true,
            quick_release: false,
            toilet_box: false,
            toilet_box_gal: 5,
            macerator: false,
            tote_gal: 0,
        }
    }
}

/// How the sewage tank is emptied and rinsed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TankDump {
    /// Which way of rinsing the maker's manual allows.
    pub rinse_method: RinseMethod,
    /// How long rinse water runs, in seconds.
    #[schemars(range(min = 5, max = 1200))]
    pub rinse_s: u32,
    /// How long water runs for the layer that stays in the tank, in seconds.
    #[schemars(range(min = 5, max = 300))]
    pub layer_s: u32,
    /// How often it is rinsed at most.
    #[schemars(range(min = 1, max = 10))]
    pub rinses_most: u32,
    /// How long hands are washed, in seconds; 20 or more (CDC advice, from memory).
    #[schemars(range(min = 20, max = 120))]
    pub hand_wash_s: u32,
    /// Size of a bucket that the tap is measured with, in gallons; 0 for none.
    #[schemars(range(min = 0, max = 20))]
    pub bucket_gal: u32,
    /// How full rinse water may get the tank, in percent.
    #[schemars(range(min = 30, max = 90))]
    pub fill_percent: u32,
}

impl Default for TankDump {
    fn default() -> Self {
        Self {
            rinse_method: RinseMethod::FillAndRelease,
            rinse_s: 300,
            layer_s: 30,
            rinses_most: 3,
            hand_wash_s: 20,
            bucket_gal: 0,
            fill_percent: 75,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RinseMethod {
    FillAndRelease,
    RinseThrough,
}

/// LP gas.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Gas {
    /// Whether there is LP gas aboard.
    pub lp: bool,
    /// What you do on the road, where law and maker leave it to you.
    pub on_the_road: GasPolicy,
    /// Whether a gas furnace heats the rig.
    pub furnace: bool,
    /// What the furnace's fan takes while it runs, in watts; its label or manual says it.
    #[schemars(range(min = 0, max = 500))]
    pub furnace_fan_w: u32,
    /// What the furnace's burner takes, in BTU an hour: "input" on its label.
    #[schemars(range(min = 1000, max = 100000))]
    pub furnace_btu: u32,
}

impl Default for Gas {
    fn default() -> Self {
        Self { lp: true, on_the_road: GasPolicy::Shut, furnace: true, furnace_fan_w: 90, furnace_btu: 30_000 }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum GasPolicy {
    /// Shut at the bottle or tank.
    Shut,
    /// Left open for the fridge.
    Open,
}

/// The fridge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Fridge {
    /// What it runs on.
    pub kind: FridgeKind,
    /// Whether its latch holds on the road by itself; if not, a bar is put across.
    pub latch_holds: bool,
}

impl Default for Fridge {
    fn default() -> Self {
        Self { kind: FridgeKind::Gas, latch_holds: true }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FridgeKind {
    None,
    /// Absorption: gas, shore power, perhaps battery.
    Gas,
    /// Compressor: battery or shore power.
    Compressor,
}

/// What stands outside or on the roof.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Outside {
    /// Antennas that must be down for the road, each by its name.
    pub antennas: Vec<String>,
    /// Whether there are roof vents.
    pub roof_vents: bool,
    /// Bicycles on a rack.
    pub bicycles: bool,
    /// Whether sensors on the wheels show the pressure of every tire.
    pub tire_sensors: bool,
    /// Height over everything on the roof, in inches; 0 where it is not measured.
    #[schemars(range(min = 0, max = 180))]
    pub height_in: u32,
}

impl Default for Outside {
    fn default() -> Self {
        Self { antennas: Vec::new(), roof_vents: true, bicycles: false, tire_sensors: false, height_in: 0 }
    }
}

/// Jacks, stabilizers, steps.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Standing {
    /// Leveling jacks that carry the rig.
    #[serde(alias = "levelling_jacks")]
    pub leveling_jacks: bool,
    /// Air suspension, which is dumped before jacks go down.
    pub air_suspension: bool,
    /// Stabilizers that only steady it.
    #[serde(alias = "stabilisers")]
    pub stabilizers: bool,
    /// Entry steps that fold or slide.
    pub entry_steps: bool,
}

/// What tows, or what is towed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Tow {
    /// What a motorhome or van has behind it.
    pub behind: Behind,
    /// Supplemental brake in the towed car.
    pub supplemental_brake: bool,
    /// Whether a breakaway switch with its cable is fitted.
    pub breakaway: bool,
    /// How long the car's control is held to put it in tow, in seconds; its maker's manual says it.
    #[schemars(range(min = 2, max = 60))]
    pub car_hold_s: u32,
    /// Whether the car's maker has its battery or a fuse taken off for towing.
    pub car_power_off: bool,
    /// Weight-distributing bars at the ball of a travel trailer.
    pub weight_bars: bool,
}

impl Default for Tow {
    fn default() -> Self {
        Self {
            behind: Behind::Nothing,
            supplemental_brake: true,
            breakaway: true,
            car_hold_s: 5,
            car_power_off: false,
            weight_bars: false,
        }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Behind {
    #[default]
    Nothing,
    /// A car with all four wheels on the road, on a tow bar.
    CarOnBar,
    /// A car with its front wheels on a dolly.
    CarOnDolly,
    /// A trailer, with or without a car on it.
    Trailer,
}

/// A slide-out room.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Slide {
    /// As it is called ("kitchen slide").
    pub name: String,
    /// Where it goes out.
    #[serde(default)]
    pub side: Side,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    #[default]
    Driver,
    Passenger,
    Rear,
}

/// An awning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Awning {
    /// As it is called ("big awning").
    pub name: String,
}

/// A tire whose pressure is read cold before the road.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tire {
    /// Where it is ("left front").
    pub name: String,
    /// Lowest good cold pressure, in pounds per square inch: the placard, or the maker's table for the weight.
    #[schemars(range(min = 15, max = 150))]
    pub least_psi: u32,
    /// Highest, as the sidewall says, in pounds per square inch.
    #[schemars(range(min = 15, max = 150))]
    pub most_psi: u32,
}
