"""Copper leads and connector between a sensor and its circuit."""

from __future__ import annotations

from margin.chain.laws import absent
from margin.chain.parameter import Value
from margin.chain.setting import Setting

COPPER = 3.93e-3
"""1/K, relative change of the resistance of annealed copper, of its value at 20 degC (IEC 60028, from memory)."""

LEAD_TEMPCO = "relative change of the lead resistance with temperature; 0.393 %/K for copper"
CONNECTOR = "of both contacts of the connector together, new with each mounting"


def both_leads(each: Value, tempco: Value, connector: Value, setting: Setting) -> Value:
    """Resistance of two leads and a connector, 2 RL (1 + tempco dT) + Rc, ohm.

    each       ohm, resistance RL of one lead at the temperature at which nominal values hold
    tempco     1/K; connector: ohm, resistance Rc of both contacts together
    """
    leads = 2.0 * each
    if not absent(tempco):
        leads = leads * (1.0 + tempco * setting.warming)
    return leads if absent(connector) else leads + connector
