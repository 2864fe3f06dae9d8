"""What a person asks of the tests through the environment.

It is taken out of there: to the agent a FLUEWARD_ variable that is no setting is a mistake in the configuration.
"""

import os

OPEN_DATA = os.environ.pop("FLUEWARD_OPEN_DATA", "")  # folder with open records; "" where there is none
KILLS = int(os.environ.pop("FLUEWARD_KILLS", "0"))  # how often agents are killed; 0 for each test's own number
