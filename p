[station.pressure]
file = "exports/pressure.csv"
