import pytest

from agent.config.model import Settings
from tests.alerts_site import SITE


@pytest.fixture
def settings() -> Settings:
    return Settings.model_validate(SITE)


@pytest.fixture(scope="session")
def shared_settings() -> Settings:
    """The same, for hypothesis, which does not want a fixture made anew for each example."""
    return Settings.model_validate(SITE)
