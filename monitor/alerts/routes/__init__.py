"""Ways to a person, and the courier that delivers to them."""

from monitor.alerts.routes.address import AppriseRoute, check_route
from monitor.alerts.routes.base import Letter, MemoryRoute, Route
from monitor.alerts.routes.courier import Courier
from monitor.alerts.routes.machine import LogRoute, TopicRoute
from monitor.alerts.routes.trial import test_alert
from monitor.alerts.routes.worker import RouteStatus

__all__ = [
    "AppriseRoute",
    "Courier",
    "Letter",
    "LogRoute",
    "MemoryRoute",
    "Route",
    "RouteStatus",
    "TopicRoute",
    "check_route",
    "test_alert",
]
