"""The HTTP side: routes, limits, problems, the OpenAPI document, health, metrics. The only user of litestar."""
