-- One row per measurement in the window.
select
    ts                                 as at_us,
    station                            as station,
    nest                               as nest,
    part                               as part,
    product                            as product,
    characteristic                     as characteristic,
    value                              as value,
    unit                               as unit,
    result                             as result,
    file                               as log_file,
    line                               as log_line
from measurements
where
    ts >= $from_us and ts < $to_us
    and ($station is null or station = $station)
order by ts, file, line
