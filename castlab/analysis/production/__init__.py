"""Production as it runs: charts, run rules, mold life, yield and capability."""
