"""The dashboards, described once and said in two languages.

``cook``, ``fire``, ``evenness``, ``loggers`` and ``beside`` are the dashboards; ``asks`` has the questions that a panel
can put to the mirror's store, ``influxql`` and ``promql`` say them; ``variables`` is what the reader chooses; ``kit``
makes dashboards of it all by the classes of grafana-foundation-sdk.
"""
