"""Differences between our numbers and the published ones, source by source: what `accuracy` takes the largest of."""

import math
from collections.abc import Callable, Iterator

from CoolProp.CoolProp import PropsSI
from iapws import IAPWS95

from monitor.science import (
    alcohol,
    calibration,
    carbon,
    cooling,
    ethanol,
    fermentables,
    forecast,
    freezing,
    gravity,
    growth,
    limits,
    massloss,
    onewire,
    probes,
    resistance,
    settling,
    sugar,
    thermal,
    water,
    yeast,
)

from .tables import numbers, rows

SIXTY_F = 15.555555555555555
Errors = Iterator[float]


# --- densities and gravities ---------------------------------------------------------------------------------------


def water_table(column: str) -> Errors:
    return (water.density(row["t_C"]) - row[column] for row in numbers("water_density"))


def water_iapws() -> Errors:
    return (water.density(t) - IAPWS95(T=t + 273.15, P=0.101325).rho for t in (0.5, 3.98, 15.5556, 27.3, 39.9))


def water_coolprop() -> Errors:
    degrees = (0.5 * step for step in range(1, 81))
    return (water.density(t) - PropsSI("D", "T", t + 273.15, "P", 101325.0, "Water") for t in degrees)


def vapour() -> Errors:
    for t in range(1, 41):
        true = PropsSI("P", "T", t + 273.15, "Q", 0, "Water") / 1e5
        yield water.vapour_bar(float(t)) / true - 1.0


def ethanol_by_temperature() -> Errors:
    table = numbers("ethanol_density_vs_temp")
    return (ethanol.density(row["pct_mass"], row["t_C"]) - row["rho_kg_m3"] for row in table)


def ethanol_by_mass(column: str, low: float = 0.0, high: float = 100.0) -> Errors:
    for row in numbers("ethanol_density_by_masspct"):
        if column in row and low <= row["pct_mass"] <= high:
            yield ethanol.density(row["pct_mass"]) - 1000.0 * row[column]


def ethanol_pharmacopoeia() -> Errors:
    for row in numbers("usp_alcoholometric"):
        for t, column in ((25.0, "SG_air_25_25"), (15.5556, "SG_air_15_56_15_56")):
            yield (ethanol.density(row["pct_mass"], t) - 1.2) / (ethanol.density(0.0, t) - 1.2) - row[column]


def proof() -> Errors:
    """True proof from the mark of a 60 °F spirit hydrometer, the glass's growth included."""
    reference = 15.5556
    pure = ethanol.density(100.0, reference)

    def of(mass: float) -> float:
        return 2.0 * mass * ethanol.density(mass, reference) / pure

    for row in rows("cfr27_30_23_check"):
        t = (float(row["temp_F"]) - 32.0) / 1.8
        marked = ethanol.density(_where(of, float(row["apparent_proof"])), reference)
        seen = marked / (1.0 + 25e-6 * (t - reference))
        found = of(_where(lambda mass, t=t: -ethanol.density(mass, t), -seen))
        yield found - float(row["true_proof_published"].split(" -> ")[0])


def _where(rising: Callable[[float], float], target: float) -> float:
    low, high = 50.0, 100.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rising(middle) < target else (low, middle)
    return low


def sucrose_by_temperature() -> Errors:
    table = numbers("sucrose_density_vs_temp")
    return (sugar.density(row["mass_pct_sucrose"], row["t_C"]) - row["rho_kg_m3"] for row in table)


def sucrose_at_20(column: str, scale: float = 1.0) -> Errors:
    for row in numbers("sucrose_sg2020"):
        if column in row:
            yield sugar.density(row["mass_pct_sucrose_Plato"]) - scale * row[column]


def plato(column: str) -> Errors:
    for row in numbers("sucrose_sg2020"):
        found = sugar.plato_from_sg(row["SG20_20_apparent_in_air"])
        yield found - row[column]


def hydrometer() -> Errors:
    for row in numbers("hydrometer_in_pure_water"):
        for scale, column in ((20.0, "reading_cal_20C"), (SIXTY_F, "reading_cal_60F")):
            yield gravity.hydrometer_sg(row[column], row["t_C"], scale) - 1.0


def mixtures() -> Errors:
    """Expansion of wash by ratios against Tabarié's rule at each temperature."""
    for abv in (3.0, 6.0, 9.0, 12.0, 14.0, 16.0):
        mass = ethanol.abw_from_abv(abv)
        for degrees in (0.0, 2.0, 5.0, 10.0, 15.0):
            true = ethanol.sg_from_abv(abv) + sugar.true_sg_from_plato(degrees) - 1.0
            for t in (0.0, 4.0, 10.0, 15.0, 25.0, 30.0, 35.0, 40.0):
                alone = ethanol.density(mass, t) / ethanol.density(0.0, t)
                sweet = sugar.density(degrees, t) / sugar.density(0.0, t)
                yield gravity.sg_at_20(water.density(t) * (alone + sweet - 1.0), t, abv) - true


def pressures() -> Errors:
    for row in numbers("hydrostatic_dp"):
        yield sugar.true_from_apparent(probes.pressure_pair(row["dp_Pa"], row["dh_m"]).sg) - row["SG20"]


def angles() -> Errors:
    """A float that tilts as the sine of its angle says, known at five points, read between them."""

    def true(angle: float) -> float:
        return 1.0 + 0.23 * (math.sin(math.radians(angle)) - math.sin(math.radians(25.0)))

    curve = calibration.fit([(angle, true(angle)) for angle in (25.0, 33.0, 41.0, 49.0, 57.0)])
    return (probes.float_angle(curve, a, temperature_c=20.0).sg - true(a) for a in (25.0, 29.0, 37.0, 45.0, 53.0, 57.0))


def scales() -> Errors:
    for row in numbers("co2_mass_loss"):
        yield massloss.lost_kg(20.0, row["OG"], row["FG"]) / row["CO2_mass_lost_kg_20L"] - 1.0


# --- strength, mixes, freezing -------------------------------------------------------------------------------------


def _beers() -> Iterator[tuple[float, float, float, float]]:
    for row in rows("attenuation_means_2009"):
        og = sugar.sg_from_plato(float(row["original_extract_P"]))
        fg = sugar.sg_from_plato(float(row["apparent_extract_P"]))
        yield og, fg, float(row["alcohol_pct_mass"]), float(row["real_extract_P"])


def beers_balance() -> Errors:
    return (alcohol.abw(og, fg) - published for og, fg, published, _ in _beers())


def beers_fit() -> Errors:
    for og, fg, published, _ in _beers():
        yield alcohol.abv_by_fit(og, fg) * ethanol.RHO_ETHANOL_20 / (fg * ethanol.density(0.0)) - published


def beers_extract() -> Errors:
    return (alcohol.real_extract(og, fg) - published for og, fg, _, published in _beers())


def contributions() -> Errors:
    for row in rows("gravity_contribution"):
        weight = 1.0 if row["case"].startswith("sucrose") else fermentables.GLUCOSE_WEIGHT
        points = 1000.0 * (forecast.og_from_g_l(weight * float(row["g_solute_per_L"])) - 1.0)
        yield points - float(row["gravity_points_in_air"])


def freezing_crc() -> Errors:
    table = numbers("ethanol_freezing_crc")
    return (freezing.freezing(row["pct_vol_20C"]).point_c - row["freezing_point_C"] for row in table)


def freezing_lange(low: float, high: float) -> Errors:
    for row in numbers("ethanol_freezing_lange15"):
        if low < row["pct_vol"] <= high:
            yield freezing.freezing(row["pct_vol"]).point_c - row["freezing_point_C"]


def freezing_sucrose() -> Errors:
    for row in rows("crc_handbook_solutions"):
        if row["solute"] == "Sucrose" and row["freezing_depression_C"] and float(row["mass_pct"]) <= 30.0:
            found = freezing.freezing(0.0, float(row["rho20_g_cm3"]) / 0.9982)
            yield found.point_c + float(row["freezing_depression_C"])


# --- carbon dioxide ------------------------------------------------------------------------------------------------


def _mole_fraction(bar: float, t: float, other: float = 0.0) -> float:
    moles = carbon.dissolved_g_l(bar, t, other_gas_bar=other) / carbon.MOLAR_MASS
    return moles / (moles + (1.0 - 0.0323 * moles) * water.density(t) / 18.015)


def solubility_crc() -> Errors:
    for row in numbers("co2_in_water_crc102"):
        yield 1000.0 * _mole_fraction(row["p_kPa"] / 100.0, row["t_C"]) / row["x_1000"] - 1.0


def solubility_weiss() -> Errors:
    for row in numbers("co2_in_water_weiss1974"):
        moles = carbon.solubility_g_l_bar(row["t_C"]) * carbon.ATM_BAR / carbon.MOLAR_MASS
        yield 1e5 * moles / water.density(row["t_C"]) / row["K0_100_mol_per_kg_atm"] - 1.0


def solubility_measured(*authors: str) -> Errors:
    for row in rows("co2_in_water_measured"):
        if row["author"] in authors:
            t, total = float(row["t_C"]), float(row["total_bar"])
            vapour_bar = water.vapour_bar(t)
            yield 1000.0 * _mole_fraction(total - vapour_bar, t, vapour_bar) / float(row["x_1000"]) - 1.0


def solubility_wine(*, law: bool) -> Errors:
    for row in rows("co2_in_wine"):
        if (row["what"] == "regulation") == law:
            found = carbon.solubility_g_l_bar(float(row["t_C"]), float(row["abv"]), float(row["extract_g_l"]))
            yield found / float(row["g_L_bar"]) - 1.0


def bottle() -> Errors:
    table = numbers("sparkling_bottle_pressure")
    grams = carbon.dissolved_g_l(table[0]["p_bar"], table[0]["t_C"], abv=12.5)
    return (carbon.pressure_bar(grams, row["t_C"], abv=12.5) / row["p_bar"] - 1.0 for row in table)


def gas(bar: float) -> Errors:
    for t in range(0, 41, 5):
        yield carbon.gas_density(float(t), bar) / PropsSI("D", "T", t + 273.15, "P", bar * 1e5, "CO2") - 1.0


# --- yeast, settling, cooling, sensors -----------------------------------------------------------------------------


def counts() -> Errors:
    for row in rows("haemocytometer"):
        side = math.sqrt(float(row["volume_per_square_mL"]) * 1000.0 / 0.1)
        found = yeast.count(int(row["counted_cells"]), int(row["squares"]), side, 0.1, dilution=float(row["dilution"]))
        yield found.cells_per_ml.usual / float(row["cells_per_mL"]) - 1.0


def count_limits() -> Errors:
    for row in numbers("count_limits"):
        low, high = limits.poisson(int(row["count"]), row["confidence"])
        yield low - row["low"]
        yield high - row["high"]


def carlson() -> Errors:
    """The counts themselves against the law with the published fit's three constants."""
    for row in numbers("yeast_growth_carlson1913"):
        yield (growth.logistic(row["t_h"], 9.136, 663.02, 0.54699) - row["biomass"]) / 663.02


def stokes() -> Errors:
    for row in rows("stokes_settling"):
        excess = float(row["rho_particle"]) - float(row["rho_fluid"])
        found = settling.stokes(float(row["d_um"]), excess, float(row["mu_mPas"]))
        yield found / float(row["v_m_s"]) - 1.0


def viscosity_iapws() -> Errors:
    for t in (0.01, 1, 4, 8, 15, 20, 25, 32, 40):
        yield settling.water_viscosity(t) / (1000.0 * IAPWS95(T=t + 273.15, P=0.101325).mu) - 1.0


def viscosity_crc() -> Errors:
    for row in numbers("ethanol_density_by_masspct"):
        if row["pct_mass"] < 19.5 and "viscosity20_CRC102_mPas" in row:
            found = settling.viscosity(20.0, ethanol.abv_from_abw(row["pct_mass"]))
            yield found / row["viscosity20_CRC102_mPas"] - 1.0


def vessels() -> Errors:
    for row in rows("thermal_time_constants"):
        if row["h_W_m2K"] == "7.5":
            found = cooling.cooling(float(row["V_L"]), 20.0, 4.0, 2.0).hours.usual
            yield found / float(row["hours_20C_to_4C_air_2C"]) - 1.0


def spheres() -> Errors:
    for row in rows("lumped_examples"):
        told = {key: float(value) for key, value in row.items() if key != "case"}
        tau = told["rho"] * told["cp"] * told["diameter_m"] / 6.0 / told["h"]
        found = thermal.seconds_to_reach(told["start"], told["target"], told["surroundings"], tau)
        yield found / told["answer_s"] - 1.0


def platinum() -> Errors:
    for row in numbers("pt100"):
        if "R_ohm_published_table" in row:
            yield resistance.platinum_celsius(row["R_ohm_published_table"]) - row["t_C"]


def thermistor() -> Errors:
    for row in numbers("ntc_10k"):
        if "R_ohm_published_table" in row:
            yield resistance.thermistor_celsius(row["R_ohm_published_table"]) - row["t_C"]


def one_wire() -> Errors:
    for row in rows("onewire_temperature"):
        yield onewire.temperature(int(row["hex_16bit"], 16)) - float(row["t_C"])
