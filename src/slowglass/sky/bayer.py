"""Bayer letters of the brightest stars without a proper name, by Hipparcos number.

Typed from memory, HIP numbers from the star catalogue; a test checks each star's constellation
against the boundaries of Roman (1987). With those of :mod:`slowglass.sky.star_names` they cover
the 400 brightest stars, V = 3.8, and some fainter ones that hops begin at. A few stars carry a
Flamsteed number or a Latin letter.
"""

from __future__ import annotations

from functools import lru_cache

from slowglass.sky.star_names import name_table

LETTERS = """
And δ3092 51_7607 ο113726 λ116584 ν3881 μ4436
Aps α72370
Aql θ99473 δ95501 λ93805
Aqr c2_114341 λ112961 25_106944
Ara α85792 β85258 ζ83081 γ85267 δ85727 θ88714 η82363
Aur δ28358 16_24727
Boo δ74666 ρ71053
CMa ο2_33977 κ32759 σ33856 15_33092 θ33160
Cap ζ105881 41_107128
Car θ52419 υ48002 ω50099 p51576 q50371 a45080 χ38827 l47854 u53253 s51232 c43783
Cas γ4427
Cen α2_71681 γ61932 ε66657 η71352 ζ68002 δ59196 ι65109 λ56561 κ73334 ν67464 μ67472 g67457 φ68245
Cep ζ109492 η102422 ι112724
Cet η5364 τ8102 ι1562 θ6537 δ12387
Cir α71908
Col δ30277
CrB γ76952
Cru ε60260
Cyg ζ104732 τ104887 ξ104060 ο1_99675 ι95853 κ94779 π2_107533
Dor α21281 β26069
Dra χ89937 ξ87585 λ56211
Eri δ17378 υ4_20042 τ4_15474 φ10602 χ9007 υ2_21393
Gem ξ32362 κ37740 λ35350 θ33018 ι36046
Gru γ108085 ε112623
Her ζ81693 π84380 μ86974 η81833 ξ87933 γ80170 ι86414 ο88794
Hya γ64962 ν52943 ζ43813 π68895 ε43109 ξ56343 λ49841 μ51069
Hyi β2021 α9236 γ17678
Ind α101772 β103227
LMi 46_53229
Lac α111169
Leo ε47908 ο47508 η49583 ρ51624
Lep ε23685 μ24305 ζ27288 γ27072 η28103 δ27654
Lib σ73714 υ76470 τ76600
Lup α71860 β73273 δ75141 ε75264 η78384 ζ74395 γ76297 ι69996 φ1_75177
Lyn α45860 38_45688
Lyr R92862
Mus α61585 β62322 δ63613 λ57363 ε59929 γ61199
Oct ν107089
Oph ζ81377 κ83000 θ84970 ν88048 72_88771 γ87108 λ80883 30_83262 36_84405
Ori η25281 τ24674 π4_22549 π5_22797 σ26549
Pav β102395 δ99240 η86929
Peg μ112748 ι109176
Per ζ18246 ε18532 γ14328 δ17358 ρ14354 ν17529 κ14668 φ8068
Phe γ6867
Pic α32607
Psc η7097 γ114971
Pup π35264 τ32768 ν31685 σ36377 ξ38170 c37819 a38414
Pyx α42828
Ret α19780
Sco κ86670 ι1_87073 μ1_82514 η84143 μ2_82545 ζ2_82729 G87261 ο80079
Ser η89962 ξ86263 μ77516 β77233 ε77622 δ76276 γ78072 5_74975
Sge γ98337 δ97365
Sgr η89642 φ92041 τ93864 ξ2_93085 ο93683 μ89341 7_88380 4_88116
Tau λ18724 θ2_20894 ο15900 ξ16083 δ1_20455
Tel α90422
TrA β77952 γ74946
Tri β10064
Tuc α110130
UMa ψ54539 θ46853 κ44471 23_46733 χ57399 υ48319 83_66738 24_46977
Vel γ2_39953 μ52727 N46701 φ48774 ψ46651 ο42536 c44511 b42570 p51986
Vir δ63090 109_72220 ο58948 ρ61960 χ61740 110_73620
Vol γ34481 β41312
CVn 24_66234
Com β64394 α64241 γ60742 6_59819 11_60202 35_62886
Mon α37447
Sct α91117 β92175 δ91726 η93026
Vul 13_97886
"""


@lru_cache(maxsize=1)
def designations() -> dict[int, str]:
    """Bayer (or Flamsteed) designation by Hipparcos number, such as "α Ori"."""
    found = {hip: designation for _, designation, hip in name_table()}
    for line in LETTERS.strip().splitlines():
        constellation, *stars = line.split()
        for star in stars:
            digits = len(star)
            while star[digits - 1].isdigit():
                digits -= 1
            letter = star[:digits].rstrip("_")
            found.setdefault(int(star[digits:]), f"{letter} {constellation}")
    return found
