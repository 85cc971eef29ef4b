"""Physics and statistics as pure functions of plain floats: no I/O, no clock, standard library only.

| question | module |
|---|---|
| how dense is water, wash, syrup | `water`, `ethanol`, `sugar` |
| what does the float mean at 20 °C | `gravity` |
| how strong is it, how far attenuated | `alcohol` |
| what does the probe's number mean | `calibration`, `onewire`, `pressure` |
| is it still falling | `trend` |
| how cold is the liquid, and when | `thermal` |
| can it freeze | `freezing` |

Temperatures are °C, densities kg/m³, gravities SG 20/20, strengths and attenuations per cent, times seconds
unless a name says otherwise. Arguments out of range raise ValueError saying what is allowed.
"""
