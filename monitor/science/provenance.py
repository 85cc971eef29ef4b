"""Where each formula comes from and what checks it: the table behind `leeswatch calc --sources`.

A source that stands in a function's own description, after "Source:", is read from there, so that there is one
place to mend; where a description only points at another function, the table names the source itself.
"""

from __future__ import annotations

import importlib
import inspect
import re
from dataclasses import dataclass
from typing import Final

_BALLING: Final = "Balling's balance (constants from memory, as quoted by Cutaia, Reid & Speers 2009)"
_PRACTICE: Final = "common practice, no source"

# Function: formula; what checks it; the test's module; its source, where its description does not hold it.
# fmt: off
_TABLE: Final[dict[str, tuple[str, str, str] | tuple[str, str, str, str]]] = {
    # --- water, alcohol, sugar ---
    "water.density": ("ρ = 999.97495 (1 - (t - 3.983035)² (t + 301.797) / (522528.9 (t + 69.34881)))",
        "IAPWS-95 table and library, 0.002 kg/m³ at 0–40 °C", "test_densities"),
    "water.vapour_bar": ("6.112 mbar × exp(17.62 t / (243.12 + t))", "IAPWS-95, 0.6 % at 1–40 °C", "test_carbon"),
    "ethanol.density": ("polynomial in mass fraction and t - 20 °C", "OIML R 22 tables over strength and temperature",
        "test_densities"),
    "ethanol.abv_from_abw": ("ABV = ABW × ρ(mix) / ρ(ethanol)", "OIML R 22 table; 27 CFR 30.23 to 0.1 proof",
        "test_densities"),
    "ethanol.abw_from_abv": ("the inverse, solved", "OIML R 22 table; there and back", "test_densities",
        "OIML R 22 (1975)"),
    "ethanol.sg_from_abv": ("ρ(mix) / ρ(water), both at 20 °C", "pharmacopoeia table (25/25 and 60/60 °F)",
        "test_densities"),
    "ethanol.abw_from_sg": ("the inverse, solved", "falls with density everywhere; refusals", "test_densities"),
    "sugar.density": ("ρ = ρ(water) + Σ bᵢⱼ wʲ ((t - 20) / 100)ⁱ",
        "ICUMSA table by temperature, two other tables at 20 °C", "test_densities"),
    "sugar.true_sg_from_plato": ("ρ(°P) / ρ(water), 20 °C", "ICUMSA columns", "test_densities"),
    "sugar.plato_from_true_sg": ("the inverse, solved", "ICUMSA columns; there and back", "test_densities"),
    "sugar.apparent_from_true": ("(ρ - 1.2) / (ρ(water) - 1.2)", "ICUMSA columns, in air and in vacuo", "test_in_air"),
    "sugar.true_from_apparent": ("the inverse", "ICUMSA columns, in air and in vacuo", "test_in_air"),
    "sugar.sg_from_plato": ("apparent gravity of the solution's density", "ICUMSA columns; 0.05 °P over 0–30 °P",
        "test_densities"),
    "sugar.plato_from_sg": ("the inverse, run on smoothly below 1.000", "ICUMSA columns; no kink at 1.000",
        "test_densities"),
    "sugar.kg_m3_from_sg": ("ρ = SG (998.203 - 1.2) + 1.2", "densities of the ICUMSA table; there and back",
        "test_densities"),
    "sugar.sg_from_kg_m3": ("the inverse", "there and back", "test_densities", "buoyancy in air of 1.2 kg/m³"),
    "sugar.g_l_from_plato": ("g/L = °P / 100 × ρ(°P)", "there and back, contraction included", "test_densities"),
    "sugar.plato_from_g_l": ("the inverse, solved", "there and back", "test_densities", "ICUMSA SPS-4"),
    # --- gravity ---
    "gravity.hydrometer_sg": ("ρ(T) = R ρw(t0) / (1 + 25e-6 (T - t0)), then to 20 °C by the liquid's own expansion",
        "IAPWS-95 water at 1–40 °C, two scales; the mark that buoyancy gives in sugar and in alcohol", "test_gravity",
        "buoyancy of a body of constant mass; glass by ISO 1768:1975"),
    "gravity.sg_at_20": ("SG = ρ(T) / (998.207 × expansion)", "there and back at any temperature and strength",
        "test_gravity"),
    "gravity.density_at": ("ρ(T) = SG × 998.207 × expansion", "there and back; OIML R 22", "test_gravity",
        "ICUMSA SPS-4 (sugar) and OIML R 22 (alcohol), put together by Tabarié's rule"),
    "gravity.hydrometer_error": ("root of summed squares: scale, thermometer, glass, unknown alcohol",
        "fermented wash read at 5 °C stays within two errors", "test_gravity", "propagation of errors (textbook)"),
    "gravity.rescale_hydrometer": ("R' = R ρw(t0) / ρw(t1) × glass", "0.9993 on 60 °F for 1.0000 on 20 °C; and back",
        "test_gravity"),
    # --- strength ---
    "alcohol.real_extract": ("RE = 0.1808 OE + 0.8192 AE", "worked by hand; means of measured beers", "test_alcohol"),
    "alcohol.abw": ("A = (OE - RE) / (2.0665 - 0.010665 OE)", "means of 5 sets of measured beers, 0.12 % by mass",
        "test_alcohol", _BALLING),
    "alcohol.abv": ("ABV = A × SG × ρ(water) / ρ(ethanol)", "1.094 to 1.000 is 12.5 to 13 %; measured beers",
        "test_alcohol"),
    "alcohol.abv_by_density": ("what must have fermented for the mix to weigh FG",
        "washes mixed on paper from known alcohol and extract", "test_alcohol",
        "mass balance; density by Tabarié's rule (OIV-MA-AS2-03B)"),
    "alcohol.abv_by_fit": ("A = (0.372 + 0.00357 OE)(OE - AE)", "the published line itself", "test_alcohol"),
    "alcohol.apparent_attenuation": ("100 (OE - AE) / OE", "over 100 % below 1.000; rises as gravity falls",
        "test_alcohol"),
    "alcohol.real_attenuation": ("100 (OE - RE) / OE", "below the apparent one; rises as gravity falls",
        "test_alcohol", "definition"),
    "alcohol.gravity_at_attenuation": ("AE = OE (1 - a / 100), to SG", "there and back", "test_alcohol",
        "definition"),
    "alcohol.gravity_at_real_attenuation": ("the density balance, forwards",
        "the density balance finds the alcohol again", "test_alcohol"),
    "alcohol.gravity_of": ("SG = SG(alcohol alone) + SG(extract alone) - 1", "alcohol and sugar tables, each alone",
        "test_alcohol"),
    "alcohol.extract_left_g_l": ("the same, solved for extract", "there and back", "test_alcohol",
        "Tabarié's rule (OIV-MA-AS2-03B)"),
    "alcohol.fermented_g_l": ("extract that ferments between two gravities",
        "1.9 to 2.5 g/L a point; the original gravity's own balance", "test_alcohol",
        "Tabarié's rule and Balling's balance"),
    "alcohol.alcohol": ("the extract balance, its spread against the others, errors of both readings",
        "holds all balances; 90 % range by the normal law", "test_alcohol",
        f"{_BALLING}; a fit to 532 beers; rules of thumb beside it ({_PRACTICE})"),
    # --- mixes ---
    "fermentables.sugar_named": ("solids and fermenting share of sugars", "usual between low and high; names",
        "test_fermentables", f"{_PRACTICE}, save molar masses and Codex Alimentarius CXS 12 for honey (from memory)"),
    "fermentables.grain_named": ("moisture, extract potential, soluble share of grains",
        "usual between low and high; names", "test_fermentables", _PRACTICE),
    "fermentables.conversion": ("potential × share converted, by enzymes", "raw, malt and added in order",
        "test_fermentables", _PRACTICE),
    "forecast.og_from_g_l": ("SG of a solution of so many g/L of sucrose", "computed table of contributions",
        "test_forecast"),
    "forecast.original": ("Σ kg × extract / litres, as sucrose; ranges added as squares",
        "computed contributions; sugar ends at 0.985–0.992, malt above 1.000", "test_forecast",
        "mass balance, density of sucrose by ICUMSA SPS-4; yields and attenuations are common practice, no source"),
    "additions.balance": ("mass and extract before fermenting add up; losses take the same share of both",
        "sugar early or late is the same; by hand with water", "test_additions"),
    "additions.mixed_gravity": ("masses add up, volumes do not", "the volume forecast of the grown volume",
        "test_additions"),
    # --- freezing ---
    "freezing.freezing": ("handbook tables of ethanol and sucrose, depressions added",
        "CRC Handbook 102nd ed. to its rounding; Lange's 15th ed. within the range", "test_freezing"),
    "freezing.rules_of_thumb": ("20 % -9 °C, 40 % -23 °C, 80 % -59 °C against the handbook", "the handbooks",
        "test_freezing", f"{_PRACTICE}, against the CRC Handbook"),
    # --- carbon dioxide ---
    "carbon.second_virial": ("B = -1636.75 + 12.0408 T - 0.0327957 T² + 3.16528e-5 T³",
        "reference equation of state, 1 cm³/mol", "test_carbon"),
    "carbon.gas_density": ("ρ = M p / (R T + B p)", "reference equation: 0.01 % at 1 atm, 0.5 % at 10 bar",
        "test_carbon"),
    "carbon.made_g_l": ("0.9565 A per 100 + 1.0665 A of wash", "stoichiometric table; 0.99–1.02 g/L a point",
        "test_carbon"),
    "carbon.made": ("litres × g/L, and as gas", "19 L from 1.094 to 1.000", "test_carbon", _BALLING),
    "carbon.rate": ("1.00 g/L for 0.001 of fall", "24 points a day in 10 L are 10 g/h", "test_carbon", _BALLING),
    "carbon.peak_points_per_day": ("a third of the whole fall", "by hand", "test_carbon", _PRACTICE),
    "carbon.room": ("dC/dt = G / V - N (C - C₀)", "time constants by hand; limits from the published list",
        "test_carbon"),
    "carbon.solubility_g_l_bar": ("ln K₀ = -58.0931 + 90.5069 (100/T) + 22.2940 ln(T/100), × wine factors",
        "its author's table 0.05 %; CRC 3 %; 7 sets of measurements; wine figures", "test_carbon"),
    "carbon.dissolved_g_l": ("p × exp(fugacity) × solubility", "measurements up to 30 bar", "test_carbon"),
    "carbon.pressure_bar": ("the inverse, solved", "published rise from 6 to 20 °C, 3 %; there and back",
        "test_carbon", "Henry's law with fugacity after Weiss 1974"),
    "sealing.seal": ("gas from sugar and gas dissolved shared between liquid and headspace at the store's warmth",
        "another solver with ideal gas, 2 %; mass is conserved", "test_sealing"),
    "sealing.pressure": ("the likely pressure of the same, without its range", "the same as the whole", "test_sealing"),
    # --- probes ---
    "calibration.fit": ("line, parabola or pieces by least squares", "400 calibrations with known noise, 15 %",
        "test_calibration_curves", "least squares (textbook)"),
    "probes.float_angle": ("calibration, then to 20 °C", "400 calibrations with known noise, 15 %", "test_probes"),
    "probes.pressure_pair": ("Δp / (g Δh), then to 20 °C", "published differences of pressure", "test_probes",
        "hydrostatics; expansions by ICUMSA SPS-4 and OIML R 22"),
    "probes.mass_loss": ("gas lost, less vapour, plus gas held back", "a vessel worked forwards, within the range",
        "test_massloss", _BALLING),
    "pressure.density": ("ρ = Δp / (g Δh)", "published differences of pressure", "test_gravity"),
    "pressure.sg": ("the same, to 20 °C", "published differences of pressure", "test_gravity",
        "hydrostatics; expansions by ICUMSA SPS-4 and OIML R 22"),
    "pressure.sg_error": ("root of summed squares", "by hand", "test_gravity"),
    "pressure.distance_from_water": ("Δh = Δp / (g ρ(water))", "a pair 3 mm off its ruler reads right", "test_probes",
        "hydrostatics; density of water by the CIPM formula"),
    "massloss.lost_kg": ("litres × g/L of gas", "the computed table, 0.15 %", "test_massloss", _BALLING),
    "massloss.sg_after": ("the inverse, solved for the alcohol", "there and back", "test_massloss"),
    "massloss.vapour_share": ("18.015 / 44.01 × pᵥ / (1 atm - pᵥ)", "1 % at 20 °C", "test_massloss",
        "gas saturated at one atmosphere, Magnus formula"),
    "massloss.held_g_l": ("what saturation holds, filled first", "saturation in the end", "test_massloss",
        f"saturation by Weiss 1974; that it fills first is {_PRACTICE}"),
    "onewire.crc8": ("x⁸ + x⁵ + x⁴ + 1, least bit first", "published check bytes; any broken bit is noticed",
        "test_onewire_bytes"),
    "onewire.temperature": ("two's complement, sixteenths of a kelvin", "published registers", "test_onewire_bytes"),
    "onewire.scratchpad_temperature": ("the same, after the check byte", "published scratchpad; broken transfers",
        "test_onewire_bytes", "register format of the common one-wire thermometers"),
    "resistance.platinum_ohm": ("R = R₀ (1 + A t + B t² + C (t - 100) t³)", "published Pt100 table, 0.005 ohm",
        "test_resistance"),
    "resistance.platinum_celsius": ("the inverse", "published table, 0.015 K; there and back to 1 µK",
        "test_resistance"),
    "resistance.platinum_tolerance": ("± (0.3 + 0.005 |t|) K for class B", "by hand; finer classes are finer",
        "test_resistance"),
    "resistance.thermistor_celsius": ("1/T = a + b ln R + c (ln R)³", "published table, 2 mK", "test_resistance"),
    "resistance.thermistor_ohm": ("the inverse", "published table, 0.02 %; there and back", "test_resistance"),
    "resistance.thermistor_coefficients": ("three linear equations", "published coefficients come back",
        "test_resistance"),
    "resistance.beta_celsius": ("1/T = 1/298.15 + ln(R/R₂₅) / β", "against three coefficients: 0.75 K at 0–50 °C",
        "test_resistance"),
    "resistance.beta_ohm": ("the inverse", "there and back", "test_resistance", "textbook"),
    # --- yeast ---
    "yeast.pitch": ("cells = rate × mL × °P", "published rates", "test_yeast",
        "a million cells per mL and °P (general rule); 0.75 and 1.5 for ales and lagers (Fix, read second-hand)"),
    "yeast.slurry_ml": ("cells / (cells per mL × share alive)", "by hand at the corners", "test_yeast",
        f"arithmetic; 1.0–1.5 billion (10⁹) cells a mL of thick slurry are {_PRACTICE}"),
    "yeast.dried_grams": ("cells / (5 to 20 billion (10⁹) a gram)", "by hand", "test_yeast", _PRACTICE),
    "yeast.count": ("C = N × dilution / (squares × side² × depth)", "three worked examples", "test_yeast",
        "geometry of the chamber; exact limits"),
    "yeast.stored": ("exp(-k(t) days), k from 7 % in six days at 1 °C and 14 % at 5 °C",
        "passes through both; a second publication (Sall et al. 1988)", "test_yeast",
        "McCaig & Bendiak 1985 (abstract) to six days; beyond, extrapolation"),
    "limits.poisson": ("χ² quantiles of 2N and 2N + 2", "published examples; scipy to 1e-9; coverage", "test_limits"),
    "limits.binomial": ("β quantiles", "scipy to 1e-9", "test_limits"),
    "limits.wilson": ("score interval", "scipy to 1e-9", "test_limits"),
    "growth.growth_rate": ("cardinal temperatures 2.8, 32.3, 45.4 °C; 0.427/h at best",
        "published figures; fastest at the optimum", "test_growth"),
    "growth.logistic": ("N = K / (1 + (K/N₀ - 1) exp(-r t))", "Carlson's counts of 1913: K 663.0, r 0.547/h",
        "test_growth", "Verhulst's logistic law (textbook)"),
    "growth.starter": ("least of sugar × yield, room, doublings", "by hand; never shrinks", "test_growth"),
    # --- settling, cooling ---
    "settling.water_viscosity": ("Σ aᵢ (T / 300 K)^bᵢ", "full IAPWS formulation, 0.05 %; tables of 1928",
        "test_settling"),
    "settling.viscosity": ("water × alcohol's ratio × extract's ratio",
        "CRC Handbook at 20 °C 0.1 %; Bingham & Jackson 3 %; sucrose 7 %", "test_settling"),
    "settling.liquid": ("density and viscosity together", "the computed table: 0.02 kg/m³, 1.5 %", "test_settling",
        "ICUMSA SPS-4, OIML R 22, Tabarié's rule; viscosity as above"),
    "settling.stokes": ("v = Δρ g d² / (18 µ)", "the computed table; a worked yeast cell", "test_settling"),
    "settling.reynolds": ("Re = ρ v d / µ", "the computed table", "test_settling"),
    "settling.crowding": ("(1 - φ)^4.65", "by hand", "test_settling"),
    "settling.settle": ("depth / v; the slow end with 3/16 Re more drag",
        "the computed table; 20–40 h for a 5 µm cell over 0.10 m", "test_settling",
        "Stokes 1851, Richardson & Zaki 1954; size and looseness of flocs are assumptions"),
    "thermal.time_constant": ("τ = ρ V c (1 + wall) / (h A)", "computed cylinders, 4 %", "test_cold"),
    "thermal.lag_step": ("T + (air - T)(1 - exp(-dt/τ))", "however time is cut; never overshoots", "test_cold"),
    "thermal.seconds_to_pass": ("T(t) for surroundings that go as an exponential themselves, crossed by bisection",
        "small steps of the lag; never, and at once", "test_pass"),
    "thermal.seconds_to_reach": ("-τ ln((target - air) / (start - air))", "textbook spheres, 0.7 %; there and back",
        "test_cooling", "solution of dT/dt = (air - T) / τ"),
    "cooling.cooling": ("the same, with its range", "computed cylinders, 4 %", "test_cooling",
        "lumped capacitance (textbook); film figures from memory"),
    "cooling.biot": ("h (V / A) / k", "computed cylinders, two digits", "test_cooling"),
    "cooling.held": ("hours at or below the target, straight between samples", "counted in fine slices",
        "test_cooling"),
    "cooling.follow": ("dT/dt = (air - T) / τ, ramp by ramp", "many tiny steps; steady air", "test_cooling"),
    "cooling.held_by_air": ("the hold of the lagging liquid, slowest and fastest", "cooling time, 0.2 h",
        "test_cooling", "lumped capacitance (textbook); film figures from memory"),
    # --- trends ---
    "tail.fit": ("level + drift + A e^(-t/τ₁) + B e^(-t/τ₂), B ≥ 0: normal posteriors over a grid of τ",
        "numpy's own solution of each regression; 200 tails", "test_tail", "Bayesian linear regression (textbook)"),
    "tail.end_rest": ("max(0.001, τ × 0.0005 / day)", "by hand", "test_tail", "definition"),
    "tail.hourly_noise": ("robust deviation of second differences / √6", "a known noise, to a third", "test_tail",
        "variance of a second difference (textbook)"),
    "trend.median": ("the middle one", "by hand", "test_trend", "definition"),
    "trend.robust_sd": ("1.4826 × median absolute deviation", "textbook; quantised readings", "test_trend"),
    "trend.lag1": ("Σ rᵢ rᵢ₊₁ / Σ rᵢ²", "300 series of known correlation, 0.06", "test_trend", "definition (textbook)"),
    "trend.inflation": ("√((1 + ρ) / (1 - ρ))", "by hand", "test_trend"),
    "trend.theil_sen": ("median of all pairwise slopes, bounded by ranks",
        "published examples; scipy; misses of 600 trials", "test_trend"),
    "trend.curvature": ("second-order coefficient of a parabola", "a general least-squares solver", "test_trend"),
}
# fmt: on


@dataclass(frozen=True, slots=True)
class Formula:
    """One public function of this room."""

    name: str
    formula: str
    source: str
    check: str
    test: str
    """Module in which it is checked."""


def formulas() -> list[Formula]:
    """Every public function with its formula, its source and what checks it, in the order of the table."""
    return [Formula(name, row[0], source(name), row[1], row[2]) for name, row in _TABLE.items()]


def source(name: str) -> str:
    """Where a function such as `yeast.pitch` comes from: by the table, else by its own description.

    ValueError for a name that the table does not hold, or a description without a source.
    """
    row = _TABLE.get(name)
    if row is None:
        raise ValueError(f"the function must be one of the table; it is {name!r}")
    if len(row) == 4:
        return row[3]
    module, _, function = name.partition(".")
    described = getattr(importlib.import_module(f"monitor.science.{module}"), function)
    text = " ".join((inspect.getdoc(described) or "").split())
    found = re.search(r"\bSource(?: of [^:]*)?: (.*)", text)
    if found is None:
        raise ValueError(f"the description of {name} must name its source")
    return found[1].replace("`", "")
