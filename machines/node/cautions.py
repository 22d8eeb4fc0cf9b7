"""What a person must know before a machine moves or a knife is armed. Common practice, no source."""

from __future__ import annotations

UNATTENDED = """\
This machine will move and print by itself, now and after every return of power.
  - Keep hair, sleeves and fingers away from rollers and carriage; a guard belongs where visitors can reach.
  - A stop control that cuts the power to what moves must be within reach. This program is not a safety function.
  - A head that heats is not left alone without the venue's agreement; paper waste is a fire load, emptied daily.
  - Only a competent person opens the mains supply. Local codes and the venue's safety officer decide.
"""

KNIFE = """\
Arming the knife lets it cut by itself, without another warning.
  - Nobody's hands may be near the blade or the rollers now, nor later without the power off and the knife parked.
  - Wear cut-resistant gloves to change a blade; a spent blade goes into a closed container.
  - The guard over the knife must be in place. This program is not a safety function.
  - Local codes and the venue's safety officer decide who may do this.
"""
