"""Proper names of bright stars, by Hipparcos number.

Names: IAU Working Group on Star Names, IAU Catalog of Star Names (2016 onward); facts, typed
here as (name, designation, HIP). Places and magnitudes come from the star catalogue.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from slowglass.errors import UsageError
from slowglass.sky.catalogue import EPOCH_YEAR, StarCatalogue
from slowglass.sky.coords import separation_deg
from slowglass.sky.objects import name_key

IAU_NAMES = """
Acamar|θ1 Eri|13847
Achernar|α Eri|7588
Achird|η Cas|3821
Acrab|β1 Sco|78820
Acrux|α Cru|60718
Acubens|α Cnc|44066
Adhafera|ζ Leo|50335
Adhara|ε CMa|33579
Ain|ε Tau|20889
Albaldah|π Sgr|94141
Albali|ε Aqr|102618
Albireo|β Cyg|95947
Alchiba|α Crv|59199
Alcor|80 UMa|65477
Alcyone|η Tau|17702
Aldebaran|α Tau|21421
Alderamin|α Cep|105199
Aldhibah|ζ Dra|83895
Alfirk|β Cep|106032
Algedi|α2 Cap|100064
Algenib|γ Peg|1067
Algieba|γ1 Leo|50583
Algol|β Per|14576
Algorab|δ Crv|60965
Alhena|γ Gem|31681
Alioth|ε UMa|62956
Aljanah|ε Cyg|102488
Alkaid|η UMa|67301
Alkes|α Crt|53740
Almaaz|ε Aur|23416
Almach|γ And|9640
Alnair|α Gru|109268
Alnasl|γ2 Sgr|88635
Alnilam|ε Ori|26311
Alnitak|ζ Ori|26727
Alniyat|σ Sco|80112
Alphard|α Hya|46390
Alphecca|α CrB|76267
Alpheratz|α And|677
Alrescha|α Psc|9487
Alsephina|δ Vel|42913
Alshain|β Aql|98036
Altair|α Aql|97649
Altais|δ Dra|94376
Aludra|η CMa|35904
Alula Borealis|ν UMa|55219
Ancha|θ Aqr|110003
Ankaa|α Phe|2081
Antares|α Sco|80763
Arcturus|α Boo|69673
Arkab Prior|β1 Sgr|95241
Arneb|α Lep|25985
Ascella|ζ Sgr|93506
Asellus Australis|δ Cnc|42911
Asellus Borealis|γ Cnc|42806
Aspidiske|ι Car|45556
Athebyne|η Dra|80331
Atlas|27 Tau|17847
Atria|α TrA|82273
Avior|ε Car|41037
Baten Kaitos|ζ Cet|8645
Bellatrix|γ Ori|25336
Betelgeuse|α Ori|27989
Bharani|41 Ari|13209
Biham|θ Peg|109427
Canopus|α Car|30438
Capella|α Aur|24608
Caph|β Cas|746
Castor|α Gem|36850
Cebalrai|β Oph|86742
Chara|β CVn|61317
Chertan|θ Leo|54879
Cor Caroli|α2 CVn|63125
Cursa|β Eri|23875
Dabih|β1 Cap|100345
Dalim|α For|14879
Deneb Algedi|δ Cap|107556
Denebola|β Leo|57632
Deneb|α Cyg|102098
Diphda|β Cet|3419
Dschubba|δ Sco|78401
Dubhe|α UMa|54061
Edasich|ι Dra|75458
Electra|17 Tau|17499
Elnath|β Tau|25428
Eltanin|γ Dra|87833
Enif|ε Peg|107315
Errai|γ Cep|116727
Fang|π Sco|78265
Fawaris|δ Cyg|97165
Fomalhaut|α PsA|113368
Fulu|ζ Cas|2920
Furud|ζ CMa|30122
Gacrux|γ Cru|61084
Gienah|γ Crv|59803
Gomeisa|β CMi|36188
Hadar|β Cen|68702
Haedus|η Aur|23767
Hamal|α Ari|9884
Hassaleh|ι Aur|23015
Hatysa|ι Ori|26241
Heze|ζ Vir|66249
Homam|ζ Peg|112029
Imai|δ Cru|59747
Izar|ε Boo|72105
Jabbah|ν Sco|79374
Kaffaljidhma|γ Cet|12706
Kaus Australis|ε Sgr|90185
Kaus Borealis|λ Sgr|90496
Kaus Media|δ Sgr|89931
Kitalpha|α Equ|104987
Kochab|β UMi|72607
Kornephoros|β Her|80816
Kraz|β Crv|61359
Labrum|δ Crt|55282
Larawag|ε Sco|82396
Lesath|υ Sco|85696
Mahasim|θ Aur|28380
Maia|20 Tau|17573
Markab|α Peg|113963
Markeb|κ Vel|45941
Matar|η Peg|112158
Mebsuta|ε Gem|32246
Megrez|δ UMa|59774
Meissa|λ Ori|26207
Mekbuda|ζ Gem|34088
Menkalinan|β Aur|28360
Menkar|α Cet|14135
Menkent|θ Cen|68933
Menkib|ξ Per|18614
Merak|β UMa|53910
Merope|23 Tau|17608
Mesarthim|γ2 Ari|8832
Miaplacidus|β Car|45238
Mimosa|β Cru|62434
Minkar|ε Crv|59316
Mintaka|δ Ori|25930
Mirach|β And|5447
Miram|η Per|13268
Mira|ο Cet|10826
Mirfak|α Per|15863
Mirzam|β CMa|30324
Mizar|ζ UMa|65378
Mothallah|α Tri|8796
Muliphein|γ CMa|34045
Muphrid|η Boo|67927
Muscida|ο UMa|41704
Naos|ζ Pup|39429
Nashira|γ Cap|106985
Nekkar|β Boo|73555
Nihal|β Lep|25606
Nunki|σ Sgr|92855
Nusakan|β CrB|75695
Okab|ζ Aql|93747
Paikauhale|τ Sco|81266
Peacock|α Pav|100751
Phact|α Col|26634
Phecda|γ UMa|58001
Pherkad|γ UMi|75097
Pleione|28 Tau|17851
Polaris|α UMi|11767
Pollux|β Gem|37826
Porrima|γ Vir|61941
Prima Hyadum|γ Tau|20205
Procyon|α CMi|37279
Propus|η Gem|29655
Ran|ε Eri|16537
Rasalas|μ Leo|48455
Rasalgethi|α Her|84345
Rasalhague|α Oph|86032
Rastaban|β Dra|85670
Regulus|α Leo|49669
Rigel|β Ori|24436
Rigil Kentaurus|α Cen|71683
Rotanev|β Del|101769
Ruchbah|δ Cas|6686
Rukbat|α Sgr|95347
Sabik|η Oph|84012
Saclateni|ζ Aur|23453
Sadachbia|γ Aqr|110395
Sadalmelik|α Aqr|109074
Sadalsuud|β Aqr|106278
Sadr|γ Cyg|100453
Saiph|κ Ori|27366
Sargas|θ Sco|86228
Sarin|δ Her|84379
Scheat|β Peg|113881
Schedar|α Cas|3179
Seginus|γ Boo|71075
Segin|ε Cas|8886
Shaula|λ Sco|85927
Sheliak|β Lyr|92420
Sheratan|β Ari|8903
Sirius|α CMa|32349
Skat|δ Aqr|113136
Spica|α Vir|65474
Sualocin|α Del|101958
Suhail|λ Vel|44816
Sulafat|γ Lyr|93194
Syrma|ι Vir|69701
Tabit|π3 Ori|22449
Talitha|ι UMa|44127
Tania Australis|μ UMa|50801
Tania Borealis|λ UMa|50372
Tarazed|γ Aql|97278
Tarf|β Cnc|40526
Taygeta|19 Tau|17531
Tejat|μ Gem|30343
Thuban|α Dra|68756
Tiaki|β Gru|112122
Tianguan|ζ Tau|26451
Tureis|ρ Pup|39757
Unukalhai|α Ser|77070
Vega|α Lyr|91262
Vindemiatrix|ε Vir|63608
Wasat|δ Gem|35550
Wazn|β Col|27628
Wezen|δ CMa|34444
Yed Posterior|ε Oph|79882
Yed Prior|δ Oph|79593
Zaniah|η Vir|60129
Zaurak|γ Eri|18543
Zavijava|β Vir|57757
Zosma|δ Leo|54872
Zubenelgenubi|α2 Lib|72622
Zubeneschamali|β Lib|74785
"""


@dataclass(frozen=True)
class NamedStar:
    """A star with a proper name; ICRS degrees at the epoch asked for, Johnson V and B−V."""

    name: str
    designation: str
    hip: int
    ra_deg: float
    dec_deg: float
    mag: float
    bv: float


def name_table() -> tuple[tuple[str, str, int], ...]:
    """(name, designation, HIP) of every named star."""
    lines = (line.split("|") for line in IAU_NAMES.strip().splitlines())
    return tuple((name, designation, int(hip)) for name, designation, hip in lines)


class NamedStars:
    """The named stars, by name or by place."""

    def __init__(self, stars: StarCatalogue, *, epoch_year: float = EPOCH_YEAR) -> None:
        self._stars = stars
        self._epoch_year = epoch_year

    def at_epoch(self, epoch_year: float) -> NamedStars:
        """The same names with places at another epoch."""
        return NamedStars(self._stars, epoch_year=epoch_year)

    @cached_property
    def _all(self) -> tuple[NamedStar, ...]:
        found = []
        for name, designation, hip in name_table():
            star = self._stars.by_hip(hip, epoch_year=self._epoch_year)
            if star is not None:
                found.append(
                    NamedStar(
                        name,
                        designation,
                        hip,
                        float(star.ra_deg[0]),
                        float(star.dec_deg[0]),
                        float(star.v_mag[0]),
                        float(star.bv[0]),
                    )
                )
        return tuple(sorted(found, key=lambda s: s.mag))

    @cached_property
    def _by_key(self) -> dict[str, NamedStar]:
        keys: dict[str, NamedStar] = {}
        for star in self._all:
            keys.setdefault(name_key(star.name), star)
            keys.setdefault(name_key(f"HIP {star.hip}"), star)
        return keys

    def all(self) -> tuple[NamedStar, ...]:
        """Every named star, brightest first."""
        return self._all

    def find(self, name: str) -> NamedStar | None:
        """The star of a name, or None."""
        return self._by_key.get(name_key(name))

    def get(self, name: str) -> NamedStar:
        """The star of a name; UsageError with near names if there is none."""
        found = self.find(name)
        if found is None:
            near = self.suggestions(name)
            cure = f"did you mean {', '.join(near)}?" if near else "see the list of star names"
            raise UsageError(f"no named star called “{name.strip()}”", cure)
        return found

    def suggestions(self, name: str, *, n: int = 3) -> list[str]:
        """Up to n names resembling the given one."""
        close = difflib.get_close_matches(name_key(name), list(self._by_key), n=n, cutoff=0.6)
        return list(dict.fromkeys(self._by_key[key].name for key in close))

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> tuple[NamedStar, ...]:
        """Named stars within a radius, nearest first."""
        ra = np.array([s.ra_deg for s in self._all])
        dec = np.array([s.dec_deg for s in self._all])
        away = separation_deg(ra_deg, dec_deg, ra, dec)
        order = np.argsort(away, kind="stable")
        return tuple(self._all[i] for i in order if away[i] <= radius_deg)
