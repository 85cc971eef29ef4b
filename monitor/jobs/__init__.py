"""What runs by the calendar: the morning digest, thinning old readings, the nightly backup, the heartbeat."""

from monitor.jobs.calendar_jobs import Jobs, JobStatus
from monitor.jobs.digest import digest_text
from monitor.jobs.upkeep import Span, back_up, thin_closed

__all__ = ["JobStatus", "Jobs", "Span", "back_up", "digest_text", "thin_closed"]
