"""The outline as arithmetic and judgement: pure over frozen rows, knows neither database nor page."""
