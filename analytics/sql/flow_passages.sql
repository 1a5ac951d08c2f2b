-- One row per arrival or departure before the window's end of a part that is known by its number, some stations left out.
select
    us,
    kind,
    station,
    part
from passages
where
    us < $to_us
    and part is not null
    and station is not null
    and not list_contains($attending, station)
