"""The `[weather]` table: whom to ask for an outdoor forecast, if anybody."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from collector.config_base import Model

WeatherService = Literal["off", "met_norway", "open_meteo", "weather_gov", "file", "mqtt"]
_CREDITS = (
    "off, or one to ask: met_norway (CC BY 4.0, credit MET Norway; wants contact), "
    "open_meteo (CC BY 4.0, credit Open-Meteo.com; free for non-commercial use ONLY: "
    "a yard that sells boats needs their paid plan, its address in url), "
    "weather_gov (public domain; United States only; wants contact), file, mqtt"
)


class WeatherConfig(Model):
    """An outdoor forecast from a weather service, a file or a topic: off unless one is named."""

    service: Annotated[WeatherService, Field(description=_CREDITS)] = "off"
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    altitude_m: Annotated[float, Field(ge=-430, le=9000)] | None = None
    contact: Annotated[
        str, Field(description="a mail address or page: the services want to know who asks")
    ] = ""
    url: Annotated[str, Field(pattern=r"^(https?://.*)?$")] = ""
    file: str = ""
    topic: Annotated[str, Field(max_length=1024, pattern=r"^[^+#]*$")] = ""

    @model_validator(mode="after")
    def _enough_to_ask(self) -> "WeatherConfig":
        if self.service in {"met_norway", "open_meteo", "weather_gov"}:
            if self.latitude_deg is None or self.longitude_deg is None:
                raise ValueError(f"{self.service} needs latitude_deg and longitude_deg")
            if not self.contact and self.service != "open_meteo":
                raise ValueError(f"{self.service} refuses those who do not say who they are: set contact")
        if self.service == "file" and not self.file:
            raise ValueError("service 'file' needs file: a saved response of one of the services")
        if self.service == "mqtt" and not self.topic:
            raise ValueError("service 'mqtt' needs topic: where a service's response is kept, retained")
        return self
