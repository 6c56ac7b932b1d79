"""Total V magnitudes of globular clusters that OpenNGC has wrong by 0.4 mag or more, or lacks.

Its V are often of an aperture, or of another object: M71 stands at 6.1, two magnitudes too
bright, ω Centauri at 5.3, a magnitude and a half too faint. Values: Harris 1996 (AJ 112, 1487;
edition of 2010), V integrated over the whole cluster; from memory, not looked up again.
"""

HARRIS_V_MAG = {
    "NGC1904": 7.73,
    "NGC3201": 6.75,
    "NGC4590": 7.84,
    "NGC4833": 6.91,
    "NGC5053": 9.47,
    "NGC5139": 3.68,
    "NGC5466": 9.04,
    "NGC6171": 7.93,
    "NGC6229": 9.39,
    "NGC6254": 6.60,
    "NGC6266": 6.45,
    "NGC6333": 7.72,
    "NGC6366": 9.20,
    "NGC6426": 11.01,
    "NGC6441": 7.15,
    "NGC6535": 10.47,
    "NGC6539": 9.33,
    "NGC6541": 6.30,
    "NGC6637": 7.64,
    "NGC6656": 5.10,
    "NGC6681": 7.87,
    "NGC6712": 8.10,
    "NGC6723": 7.01,
    "NGC6752": 5.40,
    "NGC6760": 8.88,
    "NGC6838": 8.19,
    "NGC6934": 8.83,
}
