"""Configuration by environment: typed, bounded, no silent misspelling."""

import pytest

from sillcast.web.settings import Settings, SettingsError


def test_nothing_set_gives_the_defaults_on_loopback() -> None:
    assert Settings.from_environment({"PATH": "/bin"}) == Settings()
    assert Settings().host == "127.0.0.1"


def test_each_setting_is_read_back_from_its_own_text() -> None:
    settings = Settings(host="::1", port=0, plugins="skip", queue=3, deadline_s=1.5, log="off")
    assert Settings.from_environment(settings.as_environment()) == settings
    assert Settings.from_environment(Settings().as_environment()) == Settings()


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("SILLCAST_PORT", "65536", "SILLCAST_PORT: Expected `int` <= 65535"),
        ("SILLCAST_PORT", "http", "SILLCAST_PORT: Expected `int`, got `str`"),
        ("SILLCAST_DEADLINE_S", "0", "SILLCAST_DEADLINE_S: Expected `float` > 0.0"),
        ("SILLCAST_DEADLINE_S", "nan", "SILLCAST_DEADLINE_S: Expected `float` > 0.0"),
        ("SILLCAST_PLUGINS", "loose", "SILLCAST_PLUGINS: Invalid enum value 'loose'"),
        ("SILLCAST_PROT", "1", "SILLCAST_PROT: no setting of that name; there are SILLCAST_HOST"),
    ],
)
def test_wrong_settings_are_named(name: str, value: str, text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        Settings.from_environment({name: value})
    assert str(caught.value).startswith(text)


def test_all_that_is_wrong_is_named_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        Settings.from_environment(
            {
                "SILLCAST_PORT": "http",
                "SILLCAST_PROT": "1",
                "SILLCAST_QUEUE": "-1",
                "SILLCAST_HOST": "::1",
                "SILLCAST_A": "1",
            }
        )
    unknown, *wrong = str(caught.value).splitlines()
    assert unknown.startswith("SILLCAST_A, SILLCAST_PROT: no setting of that name; there are SILLCAST_HOST, ")
    assert wrong == ["SILLCAST_PORT: Expected `int`, got `str`", "SILLCAST_QUEUE: Expected `int` >= 0"]


def test_each_setting_is_described_with_its_default_and_bounds() -> None:
    text = Settings.described()
    for name, value in Settings().as_environment().items():
        assert f"  {name}={value}\n" in text
    assert "SILLCAST_PORT=8080\n      integer, >= 0, <= 65535. Port; 0 lets the system choose one." in text
    assert "SILLCAST_PLUGINS=strict\n      skip or strict. " in text
