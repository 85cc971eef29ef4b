"""Physics and statistics as pure functions of plain floats: no I/O, no clock, standard library only.

| question | module |
|---|---|
| how dense is water, wash, syrup | `water`, `ethanol`, `sugar` |
| what does the float mean at 20 °C | `gravity` |
| how strong is it, how far attenuated | `alcohol` |
| what did sugar, water and losses make of it | `additions` |
| what gravity will this mix give, and end at | `forecast`, `fermentables` |
| how much gas, in the room, in the wash, in a closed vessel | `carbon`, `sealing` |
| what does the probe's number mean | `calibration`, `onewire`, `resistance`, `pressure`, `massloss`, `probes` |
| is it still falling | `trend` |
| how cold is the liquid, when, and for how long | `thermal`, `cooling` |
| how much yeast, counted, kept and grown | `yeast`, `growth`, `limits` |
| how fast does it settle | `settling` |
| can it freeze | `freezing` |
| where does a formula come from | `provenance` |

Temperatures are °C, densities kg/m³, gravities SG 20/20, strengths and attenuations per cent, times seconds
unless a name says otherwise. Arguments out of range raise ValueError saying what is allowed.
"""
