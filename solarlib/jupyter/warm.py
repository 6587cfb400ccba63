"""Run by each kernel as it starts, while its page is still loading: what every lesson takes is then in memory."""

try:
    __import__("solarlib.house"), __import__("solarlib.lessons.tools")
except ImportError:  # a kernel of another environment
    pass
