"""How far our numbers lie from the published ones at most: the table in DEVELOPERS.md.

`python -m tests.science.accuracy` measures everything anew and prints the table.
Each row compares one function with one source over all of the source's figures; "stated" is the largest difference,
rounded up, and the test holds it from both sides: it is not exceeded, and it is not stale.
"""

from collections.abc import Callable
from dataclasses import dataclass

from . import measures as of

STALE = 1.3
"""A stated error above this many times the measured one is stale."""

TINY = 1e-9
"""Rounding of the machine."""


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    quantity: str
    method: str
    source: str
    errors: Callable[[], of.Errors]
    stated: float
    unit: str = ""
    percent: bool = False

    def measured(self) -> float:
        """The largest difference, in the unit of the line."""
        return max(abs(error) for error in self.errors()) * (100.0 if self.percent else 1.0)

    def text(self) -> str:
        """The line in Markdown."""
        unit = "%" if self.percent else self.unit
        plain = f"{self.stated:.9f}".rstrip("0").rstrip(".")
        return f"| {self.quantity} | {self.method} | {self.source} | {plain} {unit}".rstrip() + " |"

    def holds(self, found: float) -> bool:
        """Whether the stated error is not exceeded, and not stale."""
        return found - TINY <= self.stated <= STALE * found + TINY


OIML = "OIML R 22 (1975)"
ICUMSA = "ICUMSA SPS-4 polynomial"
CRC = "CRC Handbook, 102nd ed."
WEISS = "Weiss 1974, Henry's law with fugacity"

ROWS = (
    Row("density of water, 0–40 °C", "CIPM formula (Tanaka 2001)", "IAPWS-95 table",
        lambda: of.water_table("rho_IAPWS95_kg_m3"), 0.0012, "kg/m³"),
    Row("density of water, 0.5–40 °C", "CIPM formula", "IAPWS-95 by CoolProp, each half degree",
        of.water_coolprop, 0.0012, "kg/m³"),
    Row("density of water, five temperatures", "CIPM formula", "IAPWS-95 by iapws", of.water_iapws, 0.0012, "kg/m³"),
    Row("vapour pressure of water, 1–40 °C", "Magnus formula", "IAPWS-95 by CoolProp", of.vapour, 0.32, percent=True),
    Row("density of ethanol–water, -5–30 °C", OIML, "its tables", of.ethanol_by_temperature, 0.0011, "kg/m³"),
    Row("density of ethanol–water at 20 °C", OIML, "Perry, 7th ed., 0–12 % by mass",
        lambda: of.ethanol_by_mass("rho20_Perry7_g_cm3"), 0.052, "kg/m³"),
    Row("density of ethanol–water at 20 °C", OIML, f"{CRC}, to 20 % by mass",
        lambda: of.ethanol_by_mass("rho20_CRC102_g_cm3", 0.0, 20.0), 0.11, "kg/m³"),
    Row("density of ethanol–water at 20 °C", OIML, f"{CRC}, above 20 % by mass",
        lambda: of.ethanol_by_mass("rho20_CRC102_g_cm3", 20.5), 0.22, "kg/m³"),
    Row("density of ethanol–water at 20 °C", OIML, "National Bureau of Standards, 45–85 % by mass",
        lambda: of.ethanol_by_mass("rho20_NBS_old_table_g_cm3"), 0.075, "kg/m³"),
    Row("gravity of ethanol–water in air, 15.6 and 25 °C", OIML, "USP 29 alcoholometric table",
        of.ethanol_pharmacopoeia, 0.000077),
    Row("true proof of a warm spirit", f"{OIML} and glass 25e-6/K", "27 CFR 30.23 and 30.61", of.proof, 0.044, "proof"),
    Row("density of sucrose–water, 0–40 °C", ICUMSA, "its table", of.sucrose_by_temperature, 0.00049, "kg/m³"),
    Row("density of sucrose–water at 20 °C", ICUMSA, "university laboratory table",
        lambda: of.sucrose_at_20("rho20_table_UMK_kg_m3"), 0.055, "kg/m³"),
    Row("density of sucrose–water at 20 °C", ICUMSA, CRC,
        lambda: of.sucrose_at_20("rho20_CRC102_g_cm3", 1000.0), 0.071, "kg/m³"),
    Row("gravity to °Plato, 0–30 °P", f"{ICUMSA}, in air", "its table",
        lambda: of.plato("mass_pct_sucrose_Plato"), 0.0011, "°P"),
    Row("gravity to °Plato, 0–30 °P", f"{ICUMSA}, in air", "brewing chemists' cubic",
        lambda: of.plato("degP_from_ASBC_cubic_at_apparent_SG"), 0.013, "°P"),
    Row("hydrometer in water, 20 °C and 60 °F scales", "buoyancy, glass and liquid",
        "IAPWS-95 and ISO 1768", of.hydrometer, 0.0000058),
    Row("gravity of wash with alcohol and extract, 0–40 °C", "ratios multiplied",
        "no measurement found; Tabarié's rule at each temperature", of.mixtures, 0.00011),
    Row("gravity from a pressure pair", "hydrostatics", "computed table", of.pressures, 0.0000006),
    Row("gravity from a float angle", "curve fitted to five points", "a known bent curve, at and between them",
        of.angles, 0.00015),
    Row("mass lost by a vessel", "Balling's balance", "computed table", of.scales, 0.1, percent=True),
    Row("alcohol by mass", "Balling's balance", "means of 532 beers in five sets (Cutaia 2009)",
        of.beers_balance, 0.11, "% w/w"),
    Row("alcohol by mass", "fit by Cutaia 2009", "the means of the same beers", of.beers_fit, 0.089, "% w/w"),
    Row("real extract", "Balling's rule", "means of 532 beers in five sets", of.beers_extract, 0.19, "°P"),
    Row("gravity of sugars in a volume", ICUMSA, "computed contributions of sucrose and glucose",
        of.contributions, 0.02, "points"),
    Row("freezing point of ethanol–water, 0–75 % vol", f"{CRC}, interpolated", "its table by volume",
        of.freezing_crc, 0.005, "K"),
    Row("freezing point, below 15 % vol", CRC, "Lange's Handbook, 15th ed.",
        lambda: of.freezing_lange(0, 15), 0.16, "K"),
    Row("freezing point, 15–30 % vol", CRC, "Lange's Handbook, 15th ed.", lambda: of.freezing_lange(15, 30), 0.78, "K"),
    Row("freezing point, 30–78 % vol", CRC, "Lange's Handbook, 15th ed.", lambda: of.freezing_lange(30, 80), 1.5, "K"),
    Row("freezing point of sugar–water", CRC, "its table", of.freezing_sucrose, 0.0014, "K"),
    Row("carbon dioxide in water, 0–40 °C", WEISS, "its author's table", of.solubility_weiss, 0.031, percent=True),
    Row("carbon dioxide in water, 0–40 °C", WEISS, f"{CRC} (itself 2 %)", of.solubility_crc, 2.7, percent=True),
    Row("carbon dioxide in water, 1–35 °C, 1 atm", WEISS, "Murray & Riley 1971",
        lambda: of.solubility_measured("Murray & Riley 1971"), 0.59, percent=True),
    Row("carbon dioxide in water, 20–37 °C, 1–1.8 bar", WEISS,
        "Kunerth 1922, Findlay & Shen 1912, Yeh & Peterson 1964",
        lambda: of.solubility_measured("Kunerth 1922", "Findlay & Shen 1912", "Yeh & Peterson 1964"),
        3.6, percent=True),
    Row("carbon dioxide in water, 15 °C, to 4 bar", WEISS, "Khanikof & Louguinine 1867",
        lambda: of.solubility_measured("Khanikof & Louguinine 1867"), 10.0, percent=True),
    Row("carbon dioxide in water, 20 °C, 5–29 bar", WEISS, "Kritschewsky 1935",
        lambda: of.solubility_measured("Kritschewsky 1935"), 4.4, percent=True),
    Row("carbon dioxide in water, 30 °C, 5–29 bar", WEISS,
        "Kritschewsky 1935 (at 30 °C above everyone else's)",
        lambda: of.solubility_measured("Kritschewsky 1935 at 30 C"), 12.0, percent=True),
    Row("carbon dioxide in wine at 20 °C", f"{WEISS}, times the wine factors", "Regulation (EEC) 2676/90",
        lambda: of.solubility_wine(law=True), 1.3, percent=True),
    Row("carbon dioxide in beer and wine, 6 and 10 °C", f"{WEISS}, times the wine factors",
        "ACS Omega 2021 6:9672 (to two digits)", lambda: of.solubility_wine(law=False), 6.3, percent=True),
    Row("pressure in a closed bottle, 6 to 20 °C", "the same", "doi 10.1038/s41598-017-10702-6", of.bottle, 0.43,
        percent=True),
    Row("density of carbon dioxide at 1 atm, 0–40 °C", "virial equation", "CoolProp", lambda: of.gas(1.01325), 0.0068,
        percent=True),
    Row("density of carbon dioxide at 10 bar, 0–40 °C", "virial equation", "CoolProp", lambda: of.gas(10.0), 0.45,
        percent=True),
    Row("cells in a mL", "counting chamber's geometry", "worked examples", of.counts, 0.0, percent=True),
    Row("limits of a count", "Garwood 1936", "published examples, two decimals", of.count_limits, 0.005, "counts"),
    Row("growth of yeast", "logistic law, published constants",
        "counts of Carlson 1913, share of the limit", of.carlson, 1.2, percent=True),
    Row("sinking of cells and flocs", "Stokes", "computed table", of.stokes, 0.51, percent=True),
    Row("viscosity of water, 0–40 °C", "short IAPWS formula", "full IAPWS formulation by iapws",
        of.viscosity_iapws, 0.003,
        percent=True),
    Row("viscosity of ethanol–water at 20 °C", "table of ratios", CRC, of.viscosity_crc, 0.044, percent=True),
    Row("cooling of jar, jug and bucket", "lumped capacitance", "computed cylinders", of.vessels, 2.8, percent=True),
    Row("cooling of small spheres", "lumped capacitance", "textbook examples", of.spheres, 0.67, percent=True),
    Row("platinum thermometer", "IEC 60751", "published Pt100 table", of.platinum, 0.012, "K"),
    Row("thermistor", "Steinhart–Hart", "published table", of.thermistor, 0.0014, "K"),
    Row("one-wire temperature", "sixteenths, two's complement", "data sheet's table (from memory)",
        of.one_wire, 0.0, "K"),
)  # fmt: skip


def markdown() -> list[str]:
    """The lines of the table."""
    head = ["| quantity | method | checked against | our largest error |", "|---|---|---|---|"]
    return head + [row.text() for row in ROWS]


if __name__ == "__main__":
    print("\n".join(markdown()))
    for row in ROWS:
        found = row.measured()
        if not row.holds(found):
            print(f"{row.quantity}, {row.source}: stated {row.stated:g}, measured {found:.3g}")
