//! The file grammar of schedules and configurations, and their check.
