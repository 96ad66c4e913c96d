"""What every test shares: a law may take its time on a busy machine."""

from hypothesis import HealthCheck, settings

# no test here is about time: those are in benchmarks
settings.register_profile("suite", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("suite")
